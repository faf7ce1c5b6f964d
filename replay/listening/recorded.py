"""Listens to a recording."""

from pathlib import Path

from logger.decode.frames import Item
from logger.errors import RecordingError
from replay.formats.opening import Known, open_known
from replay.formats.reading import Progress
from replay.formats.stamping import Wish
from replay.formats.tables import TableRecording
from replay.formats.timeline import Timeline
from replay.listening.hearing import Hearing


def hear_recording(hearing: Hearing, path: Path, known: Known, wish: Wish) -> None:
    """Hear all of a recording.

    Args:
        hearing: Takes it in.
        path: The file, plain or gzip.
        known: What is known of the van.
        wish: What a person said about the file.

    Raises:
        RecordingError: It is none that anybody talks in, or empty.
    """
    recording = open_known(path, known, Progress(), wish)
    if isinstance(recording, TableRecording):
        raise RecordingError(
            where=str(path),
            saw="a table of channels",
            fix="Listen to frames or lines; a table is played with replay.",
        )
    timeline = Timeline()
    items: list[Item] = []
    for item in recording.items(timeline):
        items.append(item)
        if len(items) == 1000:
            hearing.take(items)
            items.clear()
    hearing.take(items)
    damage = recording.damage
    hearing.remarks += damage.notes
    hearing.remarks += [
        f"The clock stepped by {step.step_us / 1e6:.1f} s." for step in timeline.steps
    ]
    if damage.lines:
        hearing.remarks.append(f"Damaged lines, skipped: {damage.lines}.")
    is_broken = any("breaks off" in note for note in damage.notes)
    hearing.needs_look |= bool(damage.lines) or is_broken
