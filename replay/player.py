"""Plays one recording through the pipeline into a log.

Knows neither the form of the recording nor what its values mean.
"""

import itertools
import os
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from logger.core.soc import Count
from logger.core.tick import US_PER_S
from logger.decode.frames import Frame, Line
from logger.errors import RecordingError
from logger.pipeline.chain import Pipeline
from logger.store.rows import Batch, Event
from logger.store.starting import PROGRAM, digests
from logger.store.writer import RunEnd, RunStart, Writer
from logger.van.reading import Van
from replay.formats.reading import Recording, digest
from replay.formats.timeline import ClockStep, Timeline

ITEMS_A_BATCH = 5000
"""Stored together; what is lost if a replay is stopped, and can be replayed again."""


@dataclass(frozen=True, slots=True)
class Cue:
    """One recording, ready to be played.

    Attributes:
        recording: The recording.
        sha256: Its digest.
        start_us: Date of its first item, microseconds since the Unix epoch; None where
            the recording does not say.
    """

    recording: Recording
    sha256: str
    start_us: int | None


def cue(recording: Recording) -> Cue:
    """Look at the first item of a recording to see when it begins.

    Args:
        recording: The recording; it is read again when it is played.

    Raises:
        RecordingError: There is not one readable item.
    """
    timeline = Timeline()
    first = next(iter(recording.items(timeline)), None)
    recording.damage.clear()
    if first is None or timeline.zero_stamp_us is None:
        raise RecordingError(
            where=str(recording.path),
            saw="no readable line",
            fix="Give a recording with at least one frame or row.",
        )
    start_us = timeline.zero_stamp_us if timeline.is_dated else None
    return Cue(recording, digest(recording.path), start_us)


def file_name(path: Path) -> str:
    """Return a file's name as text; bytes that are no UTF-8 are written in hex."""
    return os.fsencode(path.name).decode("utf-8", errors="backslashreplace")


def play(
    cued: Cue,
    van: Van,
    writer: Writer,
    carried: Count | None,
    keeps_raw: bool,
    tell: Callable[[], None],
) -> int:
    """Play one recording into a log; return the number of its run.

    Args:
        cued: The recording.
        van: The van that it was recorded on.
        writer: Writes the log.
        carried: The count as the run before left it.
        keeps_raw: Whether frames and lines are stored too.
        tell: Called after every batch.
    """
    recording, timeline = cued.recording, Timeline()
    items = iter(recording.items(timeline))
    first = next(items)
    run = writer.begin_run(_start(cued, van, timeline.zero_stamp_us or 0))
    pipeline = Pipeline(van.spec, carried)
    told = 0
    source = itertools.chain([first], items)
    while chunk := list(itertools.islice(source, ITEMS_A_BATCH)):
        raw = [item for item in chunk if isinstance(item, Frame | Line)]
        events = [_event(step) for step in timeline.steps[told:]]
        told = len(timeline.steps)
        outputs = pipeline.feed(chunk)
        writer.write(run, Batch(outputs, raw if keeps_raw else (), events))
        tell()
    notes = [Event(0, "recording", note) for note in recording.damage.notes]
    writer.write(run, Batch(pipeline.finish(), (), notes))
    writer.end_run(run, RunEnd(timeline.newest_us, recording.damage.lines))
    return run


def _start(cued: Cue, van: Van, zero_stamp_us: int) -> RunStart:
    return RunStart(
        recording=file_name(cued.recording.path),
        recording_sha256=cued.sha256,
        start_us=cued.start_us,
        is_start_sure=cued.start_us is not None,
        zero_stamp_us=zero_stamp_us,
        program=PROGRAM,
        van_text=van.text,
        descriptions=digests(van),
        dated_by="recording",
        van_id=van.settings.van.id,
    )


def _event(step: ClockStep) -> Event:
    way = "ahead" if step.step_us > 0 else "back"
    seconds = abs(step.step_us) / US_PER_S
    return Event(
        step.t_us, "clock step", f"The clock stepped {way} by {seconds:.1f} s."
    )
