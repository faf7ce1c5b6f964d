"""Fills a log with a past that nobody lived: the invented van's, through the pipeline.

What it books is exactly what the live half would have booked for the same items.
"""

from itertools import islice
from pathlib import Path

from logger.clock import Clock
from logger.core.tick import US_PER_S
from logger.decode.frames import Frame, Line
from logger.pipeline.chain import Pipeline
from logger.store.rows import Batch
from logger.store.starting import live_start
from logger.store.writer import RunEnd, Writer
from logger.van.reading import Van
from replay.van_model.boxes import State
from replay.van_model.files import description_texts
from replay.van_model.history import past_items

ITEMS_A_BATCH = 5000


def prefill(
    van: Van, path: Path, clock: Clock, state: State, start_us: int, duration_s: float
) -> State:
    """Store a stretch of the invented van's life as one run.

    Args:
        van: The van file.
        path: The log.
        clock: Dates the changes of the log's tables.
        state: The van as it begins.
        start_us: Date of the beginning, microseconds since the Unix epoch.
        duration_s: Length of the stretch, s.

    Returns:
        The van as it ends.
    """
    items = past_items(duration_s, description_texts(), state)
    pipeline = Pipeline(van.spec)
    with Writer(path, clock=clock) as writer:
        run = writer.begin_run(live_start(van, start_us, is_start_sure=True))
        while chunk := list(islice(items, ITEMS_A_BATCH)):
            raw = [item for item in chunk if isinstance(item, Frame | Line)]
            writer.write(run, Batch(pipeline.feed(chunk), raw))
        writer.write(run, Batch(pipeline.finish()))
        writer.end_run(run, RunEnd(round(duration_s * US_PER_S)))
    return items.state
