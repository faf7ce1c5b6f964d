"""Opens serial ports for us alone, and knows their devices again."""

import os
import termios

import serial

from logger.errors import SourceError
from logger.sources.reasons import fix_of, reason_of

LOOK_AT_KEYS = "Look at the keys device and baud_rate of this port."


def open_port(
    where: str,
    device: str,
    baud_rate: int | str,
    fix: str,
    timeout_s: float,
    write_timeout_s: float | None = None,
    parity: str = serial.PARITY_NONE,
    stop_bits: float = serial.STOPBITS_ONE,
) -> serial.Serial:
    """Open a port for us alone: two readers would each get half of everything.

    Args:
        where: What it is, for the error.
        device: Its path.
        baud_rate: Bits a second, as a number or as somebody wrote it.
        fix: What to do where the reason says nothing better.
        timeout_s: Longest wait for a byte, s.
        write_timeout_s: Longest wait for a byte to leave, s; None waits for ever.
        parity: As pyserial has it.
        stop_bits: Stop bits.

    Raises:
        SourceError: It is not there, or another program has it.
    """
    try:
        return serial.Serial(
            device,
            int(baud_rate),
            parity=parity,
            stopbits=stop_bits,
            timeout=timeout_s,
            write_timeout=write_timeout_s,
            exclusive=True,
        )
    except (OSError, ValueError, termios.error) as err:
        raise SourceError(
            where=where, saw=reason_of(err), fix=fix_of(err, fix)
        ) from err


def device_sign(device: str) -> str:
    """Return what changes when a device is pulled or plugged in."""
    try:
        found = os.stat(device)
    except OSError:
        return ""
    return f"{found.st_rdev} {found.st_ino}"
