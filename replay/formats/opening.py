"""Tells what kind of recording a file is, by what is in it."""

from pathlib import Path

from logger.van.reading import Van
from replay.formats.candump import CandumpRecording, looks_like_candump
from replay.formats.reading import Damage, Progress, Recording, lines, opened
from replay.formats.tables import TableRecording, choose_table

LINES_LOOKED_AT = 20
"""A log may begin with a damaged line or two; a table never has a frame in it."""


def open_recording(path: Path, van: Van, progress: Progress) -> Recording:
    """Return the recording that a file is.

    Args:
        path: The file, plain or gzip.
        van: The van that it was recorded on.
        progress: Told how far the file has been read.

    Raises:
        RecordingError: It cannot be read, or nothing in the van file describes it.
    """
    with opened(path, "latin-1") as text:
        head = [
            line
            for line, _ in zip(
                lines(text, Damage()), range(LINES_LOOKED_AT), strict=False
            )
        ]
    if any(looks_like_candump(line) for line in head):
        return CandumpRecording(path, van.buses, progress)
    return TableRecording(path, choose_table(path, van.tables), progress)
