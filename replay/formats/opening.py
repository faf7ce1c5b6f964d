"""Tells what kind of recording a file is, by what is in it."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import islice
from pathlib import Path

from logger.van.reading import TableSource, Van
from replay.formats.binary_logs import BLF_MAGIC, MDF_MAGIC
from replay.formats.can_logs import ASC, BLF, CSV, MF4, TRC, CanLogRecording, Form
from replay.formats.candump import CandumpRecording, looks_like_candump
from replay.formats.frame_tables import FrameTableRecording, table_form
from replay.formats.port_text import PortRecording, is_sentences, the_port
from replay.formats.reading import (
    BREAKS,
    Damage,
    Progress,
    Recording,
    lines,
    opened,
    opened_bytes,
)
from replay.formats.screen import ScreenRecording, is_screen
from replay.formats.stamping import NO_WISH, Wish
from replay.formats.tables import TableRecording, choose_table
from replay.formats.text_logs import is_asc, is_frame_csv, is_trc

LINES_LOOKED_AT = 20
"""A log may begin with a damaged line or two; a table never has a frame in it."""

BYTES_LOOKED_AT = 16_384
"""Of a port's text, which may begin with noise."""


@dataclass(frozen=True, slots=True)
class Known:
    """What is known of the van that a recording was made on; nothing, as it stands.

    Attributes:
        buses: Bus names by interface, in the order of the van file.
        ports: Names of the serial ports.
        tables: The tables, by name.
    """

    buses: Mapping[str, str] = field(default_factory=dict)
    ports: tuple[str, ...] = ()
    tables: Mapping[str, TableSource] = field(default_factory=dict)

    @classmethod
    def of(cls, van: Van) -> "Known":
        """Return what a van file tells."""
        ports = tuple(port.name for port in van.settings.ports)
        return cls(van.buses, ports, van.tables)


def open_recording(
    path: Path, van: Van, progress: Progress, wish: Wish = NO_WISH
) -> Recording:
    """Return the recording that a file is.

    Args:
        path: The file, plain or gzip.
        van: The van that it was recorded on.
        progress: Told how far the file has been read.
        wish: What a person said about it.

    Raises:
        RecordingError: It cannot be read, or nothing in the van file describes it.
    """
    return open_known(path, Known.of(van), progress, wish)


def open_known(path: Path, known: Known, progress: Progress, wish: Wish) -> Recording:
    """Return the recording that a file is; see `open_recording`."""
    begin, head = _begin(path), _head(path)
    form = _log_form(begin, head)
    if form is not None:
        return CanLogRecording(path, form, known.buses, progress)
    if any(looks_like_candump(line) for line in head):
        return CandumpRecording(path, known.buses, progress)
    if is_screen(head):
        return ScreenRecording(path, wish, known.buses, progress)
    table = table_form(head)
    if table is not None:
        return FrameTableRecording(path, table, known.buses, progress)
    if wish.port is not None or is_sentences(begin.splitlines()):
        port = the_port(wish, known.ports, path)
        return PortRecording(path, port, wish, progress)
    return TableRecording(path, choose_table(path, known.tables), progress)


def _log_form(begin: bytes, head: Sequence[str]) -> Form | None:
    """Return the form of a log that python-can reads whole, or None."""
    if not begin:
        return None
    if begin.startswith(BLF_MAGIC):
        return BLF
    if begin.startswith(MDF_MAGIC):
        return MF4
    looks: tuple[tuple[Form, Callable[[Sequence[str]], bool]], ...] = (
        (TRC, is_trc), (ASC, is_asc), (CSV, is_frame_csv),
    )  # fmt: skip
    return next((form for form, looks_so in looks if looks_so(head)), None)


def _begin(path: Path) -> bytes:
    with opened_bytes(path, Progress()) as binary:
        try:
            return binary.read(BYTES_LOOKED_AT)
        except (OSError, *BREAKS):
            # Broken within its beginning: what can be had of it, line by line.
            return b""


def _head(path: Path) -> list[str]:
    with opened(path, "latin-1") as text:
        return list(islice(lines(text, Damage()), LINES_LOOKED_AT))
