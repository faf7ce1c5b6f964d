"""Writes lines to the near end of a pseudo-terminal without ever waiting.

An edge. If nobody reads at the far end, lines are lost, as on a real wire.
"""

import os


class PortWriter:
    """Writes whole lines: one that was begun is ended before the next."""

    def __init__(self, fd: int) -> None:
        """Take an end to write to.

        Args:
            fd: File descriptor that does not block; it stays the caller's.
        """
        self._fd = fd
        self._rest = b""

    def write(self, line: bytes) -> bool:
        """Write a line with its end, or drop it; return whether it is on its way.

        Raises:
            OSError: The port is gone.
        """
        try:
            if self._rest:
                self._rest = self._rest[os.write(self._fd, self._rest) :]
            if self._rest:
                return False
            self._rest = line[os.write(self._fd, line) :]
        except BlockingIOError:
            return False
        return True
