"""Plays a bus in a process of its own, so that its cost is nobody else's.

`python -m tests.bench.full_bus FD SECONDS` sends frames over a socket as fast as a bus
of 500 kbit/s does; `FD text N HZ` tells N frames as a text adapter does.
"""

import os
import socket
import sys
import time

PAUSE_S = 0.001


def frames(held: socket.socket, seconds: float) -> None:
    """Send frames evenly, and one at the end that says so."""
    # Late, since the benches have no use for this module's.
    from tests.bench.receive import BUS_HZ, END_ID, FRAME, frame

    began_s, number = time.perf_counter(), 0
    total = int(seconds * BUS_HZ)
    while number < total:
        due = min(total, int((time.perf_counter() - began_s) * BUS_HZ))
        while number < due:
            held.send(frame(number))
            number += 1
        time.sleep(PAUSE_S)
    held.send(FRAME.pack(END_ID, 0, b""))


def texts(fd: int, count: int, hz: float) -> None:
    """Tell frames as text lines, evenly."""
    began_s, number = time.perf_counter(), 0
    while number < count:
        due = min(count, int((time.perf_counter() - began_s) * hz))
        data = b"".join(b"t1%02X8%016X\r" % (n % 8, n) for n in range(number, due))
        number = due
        while data:
            data = data[os.write(fd, data[:2048]) :]
        time.sleep(PAUSE_S)


def main() -> None:
    """Do what the command line says."""
    fd = int(sys.argv[1])
    if sys.argv[2] == "text":
        texts(fd, int(sys.argv[3]), float(sys.argv[4]))
    else:
        with socket.socket(fileno=fd) as held:
            frames(held, float(sys.argv[2]))


if __name__ == "__main__":
    main()
