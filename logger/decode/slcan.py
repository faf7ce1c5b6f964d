"""Frames as text lines, the way serial-line CAN adapters tell them (slcan).

Pure. `t1232AABB` is a frame with an 11-bit identifier, `T` one with 29 bits, `r` and
`R` are remote frames; `d`, `D`, `b` and `B` are frames of up to 64 bytes. Each ends in
a carriage return; a bell says that a command was refused. Four more digits at the end
are the adapter's own time stamp, and left out: it counts to a minute.

There is no checksum: digits, length and range of the identifier are all there is to
hold a line against.

Source: the comments and the reader of Linux, drivers/net/can/slcan; long frames: common
practice, no source.
"""

from binascii import Error, unhexlify

from logger.decode.framing import LineFramer

BELL = b"\a"
"""What an adapter answers to a command that it refuses."""

STAMP_BYTES = 2
LONGEST_STANDARD, LONGEST_EXTENDED = 0x7FF, 0x1FFFFFFF
CLASSIC = (0, 1, 2, 3, 4, 5, 6, 7, 8)
LONG = (*CLASSIC, 12, 16, 20, 24, 32, 48, 64)
"""Bytes of a frame by the digit of its length (ISO 11898-1, the data length code)."""

_SHAPES = {
    # Three digits of identifier and one of length are two bytes.
    **dict.fromkeys((b"t",), (b"", 2, CLASSIC, LONGEST_STANDARD)),
    **dict.fromkeys((b"d", b"b"), (b"", 2, LONG, LONGEST_STANDARD)),
    # Eight and one, with a nought before them, are five.
    **dict.fromkeys((b"T",), (b"0", 5, CLASSIC, LONGEST_EXTENDED)),
    **dict.fromkeys((b"D", b"B"), (b"0", 5, LONG, LONGEST_EXTENDED)),
}
"""By how a line begins: what makes its digits whole bytes, the bytes of identifier and
length, lengths by their code, highest identifier."""

MOST_HEADS = 8192
"""Beginnings of lines that are remembered: a bus has some hundreds; garbage, any."""

REMOTE = (b"r", b"R")
STANDARD_HEAD, EXTENDED_HEAD = 5, 10
"""Letter, identifier and digit of the length, in bytes."""

UNKNOWN = (0, False, -1)

STARTS = (b"t", b"T", b"r", b"R")
"""What begins a line and is no digit."""


class SlcanReader:
    """Cuts the stream of an adapter into frames; survives garbage and cut lines.

    Attributes:
        remote_frames: Remote frames so far; they carry no data.
        refused_lines: Lines that are no frame so far.
        bells: Commands that the adapter refused so far.
    """

    def __init__(self) -> None:
        self.remote_frames = 0
        self.refused_lines = 0
        self.bells = 0
        self._framer = LineFramer()
        self._heads: dict[bytes, tuple[int, bool, int]] = {}

    def feed(self, chunk: bytes) -> list[tuple[int, bool, bytes]]:
        """Return the frames that a piece of the stream finishes.

        Args:
            chunk: The next bytes of the stream, any number of them.

        Returns:
            Identifier, whether it has 29 bits, and payload of each, in their order.
        """
        if BELL in chunk:
            self.bells += chunk.count(BELL)
            chunk = chunk.replace(BELL, b"\r")
        frames = []
        cut_before = self._framer.cut_lines
        heads = self._heads
        for line in self._framer.feed(chunk):
            # A bus says the same few identifiers over and over: what the beginning of
            # a line means is worked out once.
            head_length = STANDARD_HEAD if line[:1] == b"t" else EXTENDED_HEAD
            can_id, is_extended, length = heads.get(line[:head_length], UNKNOWN)
            if len(line) == length:
                try:
                    data = unhexlify(line[head_length:])
                except Error:
                    pass  # is counted below
                else:
                    frames.append((can_id, is_extended, data))
                    continue
            frame = self._frame(line, head_length)
            if frame is not None:
                frames.append(frame)
        self.refused_lines += self._framer.cut_lines - cut_before
        return frames

    def forget(self) -> None:
        """Forget a line that is under way: the adapter was opened anew."""
        self._framer = LineFramer()

    def _frame(self, line: bytes, head_length: int) -> tuple[int, bool, bytes] | None:
        """Return the frame of a line that begins as none before it, or not quite."""
        frame = frame_of(line)
        if frame is None:
            return self._set_aside(line)
        can_id, is_extended, data = frame
        is_classic = line[:1] in (b"t", b"T")
        if is_classic and len(self._heads) < MOST_HEADS:
            length = head_length + 2 * len(data)
            self._heads[line[:head_length]] = (can_id, is_extended, length)
        return frame

    def _set_aside(self, line: bytes) -> tuple[int, bool, bytes] | None:
        """Count a line that is no data frame; return one that begins within it.

        Where a line's end was lost, only the first of the two is damaged.
        """
        if line[:1] in REMOTE and _is_remote(line):
            self.remote_frames += 1
            return None
        self.refused_lines += 1
        begins = max(line.rfind(start) for start in STARTS)
        return frame_of(line[begins:]) if begins > 0 else None


def frame_of(line: bytes) -> tuple[int, bool, bytes] | None:
    """Return the data frame that a line tells; None where it tells none.

    Args:
        line: Without its end.
    """
    shape = _SHAPES.get(line[:1])
    if shape is None:
        return None
    before, head_bytes, lengths, longest = shape
    try:
        told = unhexlify(before + line[1:])
    except Error:
        return None
    number = int.from_bytes(told[:head_bytes], "big")
    can_id, code = number >> 4, number & 0xF
    if can_id > longest or code >= len(lengths):
        return None
    end = head_bytes + lengths[code]
    if len(told) != end and len(told) != end + STAMP_BYTES:
        return None
    return can_id, longest == LONGEST_EXTENDED, told[head_bytes:end]


def _is_remote(line: bytes) -> bool:
    """Return whether a line tells a remote frame, with or without a stamp."""
    try:
        unhexlify(b"0" * (1 - len(line) % 2) + line[1:])
    except Error:
        return False
    digits = 4 if line[:1] == b"r" else 9
    return len(line) - 1 in (digits, digits + 2 * STAMP_BYTES)
