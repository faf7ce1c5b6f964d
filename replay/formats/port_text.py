"""What a serial port said, kept as text: sentences of a receiver, or any lines.

Cut into lines as a live port is. Such a file has no time stamps and no port: both have
to be told, or taken from the sentences and the van file.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from logger.decode.frames import Line
from logger.decode.framing import LineFramer
from logger.errors import RecordingError
from replay.formats.reading import BREAKS, Damage, Progress, break_note, opened_bytes
from replay.formats.sentence_clock import SentenceClock, sentence_fields
from replay.formats.stamping import Wish, stamper
from replay.formats.timeline import Timeline

PIECE_BYTES = 4096
LOOKED_AT = 200
"""Lines; a receiver may begin with binary noise."""


def is_sentences(head: Sequence[bytes]) -> bool:
    """Return whether one of the first lines of a file is a whole sentence."""
    return any(sentence_fields(line) is not None for line in head)


def the_port(wish: Wish, ports: Sequence[str], path: Path) -> str:
    """Return the port that the lines of a file came from.

    Args:
        wish: What was asked for.
        ports: The ports of the van file.
        path: The recording, for the error.

    Raises:
        RecordingError: There are several, or not the one that was named.
    """
    if wish.port is not None and (wish.port in ports or not ports):
        return wish.port
    if wish.port is None and len(ports) < 2:
        return ports[0] if ports else "port"
    names = ", ".join(ports)
    raise RecordingError(
        where=f"{path} (--port)",
        saw="lines of a serial port" if wish.port is None else repr(wish.port),
        fix=f"Say with --port which one they came from: {names}.",
    )


@dataclass(slots=True)
class PortRecording:
    """The lines of one port.

    Args:
        path: The file, plain or gzip.
        port: The port that they came from.
        wish: Where their times come from.
        progress: Told how far the file has been read.
    """

    path: Path
    port: str
    wish: Wish
    progress: Progress
    damage: Damage = field(default_factory=Damage)

    def items(self, timeline: Timeline) -> Iterator[Line]:
        """Yield the lines in the order of the file.

        Raises:
            RecordingError: Nobody said where their times come from.
        """
        stamp_us = self._stamps()
        for seq, data in enumerate(self._lines(self.damage, self.progress)):
            yield Line(timeline.place(stamp_us(seq, data)), seq, self.port, data)

    def _stamps(self) -> Callable[[int, bytes], int]:
        if not self.wish.by_sentences:
            by_number = stamper(self.wish, self.path)
            return lambda seq, data: by_number(seq)
        clock = self._first_time()
        begin_us = clock.day_us + (clock.time_us or 0)
        clock.time_us = None

        def by_sentence(seq: int, data: bytes) -> int:
            found_us = clock.feed(data)
            return begin_us if found_us is None else found_us

        return by_sentence

    def _first_time(self) -> SentenceClock:
        """Return a clock that knows the first time and the first date of the file."""
        clock, first_us = SentenceClock(), None
        for data in self._lines(Damage(), Progress()):
            clock.feed(data)
            if first_us is None:
                first_us = clock.time_us
            if clock.day_us:
                break
        if first_us is None:
            raise RecordingError(
                where=str(self.path),
                saw="no sentence that tells a time",
                fix="Give --every with the seconds between two lines instead.",
            )
        return SentenceClock(clock.day_us, first_us)

    def _lines(self, damage: Damage, progress: Progress) -> Iterator[bytes]:
        framer = LineFramer()
        with opened_bytes(self.path, progress) as binary:
            while True:
                try:
                    piece = binary.read(PIECE_BYTES)
                except (OSError, *BREAKS) as err:
                    damage.notes.append(break_note(err))
                    piece = b""
                yield from framer.feed(piece or b"\n")
                if not piece:
                    break
        damage.lines += framer.cut_lines
