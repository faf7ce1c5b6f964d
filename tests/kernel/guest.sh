#!/bin/sh
# First and only process of the kernel that tests/kernel/booting.py starts. The files are
# those of the computer it runs on, read-only; what is written goes to memory.
export PATH=/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin
mount -t proc proc /proc
mount -t sysfs sys /sys
mount -t tmpfs tmpfs /run
mkdir -p /run/work /dev/pts
mount -t devpts devpts /dev/pts
for word in $(cat /proc/cmdline); do
    case $word in
        checkout=*) CHECKOUT=${word#checkout=} ;;
        python=*) PYTHON=${word#python=} ;;
    esac
done
export TMPDIR=/run/work HOME=/run/work AMPLEDGER_KERNEL=inside PYTHONDONTWRITEBYTECODE=1
cd "$CHECKOUT"
# can-dev first: without it vcan does not load.
for name in can can-raw can-dev vcan slcan; do
    "$PYTHON" tests/kernel/load_module.py "$name"
done
ip link set lo up
"$PYTHON" -m pytest -p no:cacheprovider -p tests.kernel.reporting -q tests/kernel/inside
printf '\n== ended\n'
"$PYTHON" -c 'import ctypes; ctypes.CDLL(None).reboot(0x4321FEDC)'
