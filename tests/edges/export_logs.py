"""Logs to export from, made by the real chain and writer out of a few curves."""

from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path

from logger.core.dating import EPOCH
from logger.core.tick import US_PER_S
from logger.decode.frames import Raw
from logger.pipeline.chain import Pipeline
from logger.store.export.choice import Choice, Extract, chosen
from logger.store.export.making import MADE_OF, What, sheet
from logger.store.export.sheet import teller
from logger.store.reader import Log
from logger.store.rows import Batch
from logger.store.writer import RunEnd, RunStart, Writer
from logger.van.stored import stored_van, time_zone
from tests.builders import rows, table_spec

VAN = """
[van]
name = "Dunlin"
time_zone = "America/New_York"

[[string]]
name = "roof"
rated_w = 620.0

[[bus]]
name = "drive"
interface = "can0"

[[bus]]
name = "house"
interface = "usb can 7"
"""
Curve = Callable[[float], float | None]
"""A channel's value at a time of a run, s; None where its box says nothing."""


def date_us(text: str) -> int:
    """Return a date in UTC, ISO 8601, as microseconds since the Unix epoch."""
    date = datetime.fromisoformat(text).replace(tzinfo=UTC)
    return round((date - EPOCH).total_seconds() * US_PER_S)


def start(date: str | None) -> RunStart:
    """Return the start of a live run of this van."""
    return RunStart(
        recording=None,
        recording_sha256=None,
        start_us=None if date is None else date_us(date),
        is_start_sure=date is not None,
        zero_stamp_us=0 if date is None else date_us(date),
        program="ampledger test",
        van_text=VAN,
        descriptions={},
    )


def record(
    writer: Writer,
    date: str | None,
    until_s: float,
    curves: Mapping[str, Curve],
    step_s: float = 5.0,
) -> int:
    """Store a run from its zero on, a row of all channels every few seconds.

    Returns:
        Its number.
    """
    run = writer.begin_run(start(date))
    times = [i * step_s for i in range(int(until_s / step_s) + 1)]
    table = rows(*((t_s, *(curve(t_s) for curve in curves.values())) for t_s in times))
    pipeline = Pipeline(table_spec(*curves))
    writer.write(run, Batch(pipeline.feed(table)))
    writer.write(run, Batch(pipeline.finish()))
    writer.end_run(run, RunEnd(round(times[-1] * US_PER_S), 0))
    return run


def record_raw(writer: Writer, date: str | None, raw: Sequence[Raw]) -> int:
    """Store a run that has frames and lines only, and return its number."""
    run = writer.begin_run(start(date))
    writer.write(run, Batch((), raw))
    end_us = max((item.t_us for item in raw), default=0)
    writer.end_run(run, RunEnd(end_us, 0))
    return run


def extract_of(log: Log, what: What, choice: Choice = Choice()) -> Extract:  # noqa: B008
    """Return what the command would walk."""
    newest = max((run.id for run in log.runs()), default=0)
    zone = time_zone(stored_van(log.van_text(newest)))
    return Extract(log, chosen(log, choice, MADE_OF[what]).parts, (), zone)


def exported(
    path: Path,
    what: What,
    choice: Choice = Choice(),  # noqa: B008
) -> list[dict[str, str]]:
    """Return the rows of an export as texts by column."""
    with Log(path) as log:
        made = sheet(extract_of(log, what, choice), what)
        tellers = [teller(column) for column in made.columns]
        return [
            {
                name: tell(value)
                for name, tell, value in zip(made.header, tellers, row, strict=True)
            }
            for row in made.rows
        ]


def always(value: float) -> Curve:
    """Return a curve that keeps one value."""
    return lambda t_s: value
