"""A serial port that speaks in text lines, through pyserial. Never writes."""

import serial

from logger.decode.framing import LineFramer
from logger.sources.inbox import Inbox
from logger.sources.ports import LOOK_AT_KEYS, device_sign, open_port

WAIT_S = 0.2
"""Longest wait for a byte: how long a stop may take."""

MOST_BYTES = 4096
"""Read at once; what a Linux terminal holds."""


class SerialSource:
    """One serial port.

    Args:
        port_name: Name of the port in the van file.
        device: The device, best by its path under /dev/serial/by-id.
        baud_rate: Speed in baud.
        inbox: Where the lines go.

    Attributes:
        cut_lines: Lines that were dropped for being too long, since the start.
    """

    def __init__(
        self, port_name: str, device: str, baud_rate: int, inbox: Inbox
    ) -> None:
        self.cut_lines = 0
        self._port_name = port_name
        self._device = device
        self._baud_rate = baud_rate
        self._inbox = inbox

    @property
    def name(self) -> str:
        """Name of the source."""
        return f"port {self._port_name}"

    def open(self) -> "SerialSession":
        """Open the port for us alone.

        Raises:
            SourceError: It is not there, or another program has it.
        """
        port = open_port(
            f"{self.name} ({self._device})",
            self._device,
            self._baud_rate,
            LOOK_AT_KEYS,
            timeout_s=WAIT_S,
        )
        return SerialSession(self, port)

    def sign(self) -> str:
        """Return what changes when the adapter is pulled or plugged in."""
        return device_sign(self._device)

    def take_in(self, lines: list[bytes], cut_lines: int) -> None:
        """Hand lines over, and count those that were too long."""
        self.cut_lines += cut_lines
        for line in lines:
            self._inbox.line(self.name, self._port_name, line)


class SerialSession:
    """An open port, and the line that is under way on it."""

    def __init__(self, source: SerialSource, port: serial.Serial) -> None:
        self._source = source
        self._port = port
        self._framer = LineFramer()

    def read(self) -> int:
        """Hand over the lines that came in; return how many."""
        waiting = min(self._port.in_waiting, MOST_BYTES)
        chunk = self._port.read(max(1, waiting))
        cut_before = self._framer.cut_lines
        lines = self._framer.feed(chunk)
        self._source.take_in(lines, self._framer.cut_lines - cut_before)
        return len(lines)

    def close(self) -> None:
        """Let go of the port."""
        self._port.close()
