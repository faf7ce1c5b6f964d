"""Cuts the bytes of a serial port into lines; fed in pieces, it never reads itself."""

LONGEST_LINE = 1000
"""Bytes of a line, without its end. A device that lost its line ends, or a wrong speed,
gives one line without an end: memory must not grow with it (design judgement; the
longest sentence of common navigation text is 82 characters)."""


class LineFramer:
    """Cuts lines that end in CR LF, LF or CR, however they come in pieces.

    Empty lines are skipped. A line longer than `LONGEST_LINE` is dropped whole, up to
    the next line end: half of it would be handed on as if it were a line.

    Attributes:
        cut_lines: How many lines were dropped for being too long.
    """

    def __init__(self) -> None:
        self.cut_lines = 0
        self._held = b""
        self._is_cut = False

    @property
    def held_bytes(self) -> int:
        """How much of an unfinished line is held, in bytes."""
        return len(self._held)

    def feed(self, chunk: bytes) -> list[bytes]:
        """Return the lines that a piece of the stream finishes.

        Args:
            chunk: The next bytes of the stream, any number of them.

        Returns:
            The finished lines in order, without their ends; none of them empty.
        """
        # CR and LF are both ends, and the empty line inside CR LF is skipped with
        # all the others: so it does not matter where a piece was cut.
        *ended, rest = chunk.replace(b"\r", b"\n").split(b"\n")
        if ended:
            ended[0] = self._finish(ended[0])
            if max(map(len, ended)) > LONGEST_LINE:
                ended = [self._finish(part) for part in ended]
        self._hold(rest)
        return [line for line in ended if line]

    def _finish(self, part: bytes) -> bytes:
        """Return the line that ends with this part; empty if it was cut."""
        self._hold(part)
        line, self._held, self._is_cut = self._held, b"", False
        return line

    def _hold(self, part: bytes) -> None:
        """Add to the line under way, or give the line up."""
        if self._is_cut:
            return
        if len(self._held) + len(part) <= LONGEST_LINE:
            self._held += part
            return
        self._held, self._is_cut = b"", True
        self.cut_lines += 1
