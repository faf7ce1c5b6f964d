"""Hands the lines of a text log to one of python-can's readers, and sees what it drops.

Those readers end at a line they cannot read, or pass over it in silence. Here a line
that led to no frame is counted as damaged, unless it is known as something else, and
the reader begins anew behind it.
"""

import io
from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import TextIO

import can

from replay.formats.reading import Damage, lines

UNREADABLE = (ValueError, IndexError, KeyError, TypeError, OverflowError)
"""What python-can's text readers raise at a damaged line (4.6.1, seen)."""


class WatchedLines(io.TextIOBase):
    """The lines of a log, one at a time.

    Args:
        text: The open file.
        damage: Counts what is damaged.
        kind_of: Says what a line is that led to no frame: None for damage, empty for
            what belongs to the form, otherwise a word under which it is counted.
        primer: What a reader has to be given before it goes on behind a bad line.
    """

    def __init__(
        self,
        text: TextIO,
        damage: Damage,
        kind_of: Callable[[str], str | None],
        primer: Sequence[str] = (),
    ) -> None:
        self.is_empty = False
        self._lines = lines(text, damage)
        self._damage = damage
        self._kind_of = kind_of
        self._primer = primer
        self._held: list[str] = []
        self._open_line = ""

    def readline(self, size: int = -1, /) -> str:  # type: ignore[override]
        """Return the next line with its end; empty at the end of the file."""
        del size
        if self._held:
            return self._held.pop(0)
        self.settle()
        for line in self._lines:
            if line.strip():
                self._open_line = line
                return line + "\n"
        self.is_empty = True
        return ""

    def took(self) -> None:
        """Note that the line handed out last was a frame."""
        self._open_line = ""

    def settle(self) -> None:
        """Judge the line handed out last, if nothing came of it."""
        line, self._open_line = self._open_line, ""
        if not line:
            return
        kind = self._kind_of(line)
        if kind is None:
            self._damage.lines += 1
        elif kind:
            self._damage.skip(kind)

    def begin_anew(self) -> None:
        """Get ready for a reader that starts again behind a bad line."""
        self.settle()
        self._held = list(self._primer)


def frames_of(
    reader: Iterable[can.Message], text: WatchedLines
) -> Iterator[can.Message]:
    """Yield all that a reader makes of a log, over its bad lines.

    Args:
        reader: One of python-can's readers over `text`.
        text: The lines that it reads.
    """
    while not text.is_empty:
        messages = iter(reader)
        while True:
            try:
                message = next(messages)
            except StopIteration:
                break
            except UNREADABLE:
                text.begin_anew()
                break
            if message.is_remote_frame or len(message.data) == message.dlc:
                text.took()
                yield message
            else:
                text.settle()
    text.settle()
