"""A chart over dates is what bucketing every stored row by hand gives."""

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import numpy as np
import pytest

from logger.core.tick import US_PER_S
from logger.store.bucketing import Envelope
from logger.store.charts import MINUTE_US, QUARTER_US, envelope
from logger.store.reader import Log
from logger.store.rows import Batch
from logger.store.writer import Writer
from tests.year.making import DAY_US, FIRST_DAY_US, Booked, Plan, make, run_start
from tests.year.van import BOXES, FEW_BOXES

PLAN = Plan(FEW_BOXES, drive_s=2000, charge_s=2000, prototypes=2)
CHANNELS = ("pack.power_w", "charger.main.ac_voltage_v", "charger.main.status")
Row = tuple[int, float, float, float, float, float]
"""Date, lowest, highest, mean, newest, covered time."""


@pytest.fixture(scope="module")
def path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Six days: two overlap, one has no date, one is half a replay, one goes on."""
    path = tmp_path_factory.mktemp("charts") / "van.db"
    make(path, 6, PLAN)
    with closing(sqlite3.connect(path)) as log, log:
        run_3_us = FIRST_DAY_US + DAY_US + 1_234_567_891
        log.execute("UPDATE run SET start_us = ? WHERE id = 3", (run_3_us,))
        log.execute("UPDATE run SET start_us = NULL WHERE id = 4")
        log.execute("UPDATE run SET recording = 'x', end_us = NULL WHERE id = 5")
    with Writer(path) as writer:
        run = writer.begin_run(run_start(6))
        booked = Booked.new()
        for second in PLAN.seconds(6):
            writer.write(run, Batch(outputs=booked.outputs(second)))
    return path


def stored(path: Path, channel: str, unit_us: int) -> Iterator[Row]:
    """Yield all rows that count, and finer ones where a run goes on behind them."""
    with Log(path) as log:
        for run in log.runs():
            if run.start_us is None or run.is_stopped_replay:
                continue
            told_us = 0
            for length_us in sorted({unit_us, MINUTE_US, US_PER_S}, reverse=True):
                if length_us > unit_us or (length_us < unit_us and run.end_us):
                    continue
                kinds = {QUARTER_US: log.quarters, MINUTE_US: log.minutes}
                found = list(kinds.get(length_us, log.cells)(run.id, channel))
                for index, cell in found:
                    if index * length_us >= told_us:
                        yield (
                            run.start_us + index * length_us,
                            cell.low,
                            cell.high,
                            cell.mean,
                            cell.last,
                            cell.covered_us / US_PER_S,
                        )
                if length_us > US_PER_S and found:
                    told_us = max(told_us, (found[-1][0] + 1) * length_us)


def by_hand(rows: list[Row], over: Envelope, to_us: int) -> list[list[float | None]]:
    """Return lowest, mean and highest of each bucket."""
    table = np.array([row[1:] for row in rows])
    dates = np.array([row[0] for row in rows], dtype=np.int64)
    columns: list[list[float | None]] = [[], [], []]
    for place in range(len(over.mean)):
        start_us = over.from_us + place * over.step_us
        inside = (dates >= start_us) & (dates < min(start_us + over.step_us, to_us))
        if not inside.any():
            for column in columns:
                column.append(None)
            continue
        low, high, mean, last, covered_s = table[inside].T
        average = (
            float((mean * covered_s).sum() / covered_s.sum())
            if covered_s.any()
            else float(last[dates[inside].argmax()])
        )
        columns[0].append(min(float(low.min()), average))
        columns[1].append(average)
        columns[2].append(max(float(high.max()), average))
    return columns


@pytest.mark.parametrize("channel", CHANNELS)
@pytest.mark.parametrize(
    ("from_us", "length_us", "points", "unit_us"),
    [
        (FIRST_DAY_US + 1900 * US_PER_S, 700 * US_PER_S, 2000, US_PER_S),
        (FIRST_DAY_US + 1, 7000 * US_PER_S, 333, US_PER_S),
        (FIRST_DAY_US + DAY_US - 55, 6000 * US_PER_S, 100, US_PER_S),
        (FIRST_DAY_US + DAY_US + 77, 3 * 3600 * US_PER_S, 180, MINUTE_US),
        (FIRST_DAY_US + 3, 2 * DAY_US, 1000, MINUTE_US),
        (FIRST_DAY_US - 50 * US_PER_S, 8 * DAY_US, 700, QUARTER_US),
        (FIRST_DAY_US + 1999, 365 * DAY_US, 500, QUARTER_US),
        (FIRST_DAY_US + 6 * DAY_US + 5, 4000 * US_PER_S, 400, US_PER_S),
        (FIRST_DAY_US + 6 * DAY_US + 5, DAY_US, 1000, MINUTE_US),
        (FIRST_DAY_US + 6 * DAY_US - 99, 10 * DAY_US, 900, QUARTER_US),
    ],
)
def test_a_chart_is_every_stored_row_in_its_bucket(
    path: Path,
    channel: str,
    from_us: int,
    length_us: int,
    points: int,
    unit_us: int,
) -> None:
    with Log(path) as log:
        found = envelope(log, channel, from_us, from_us + length_us, points)
    rows = list(stored(path, channel, unit_us))
    low, mean, high = by_hand(rows, found, from_us + length_us)
    assert 1 <= len(found.mean) <= points
    assert any(value is not None for value in mean)
    for ours, by_numpy in ((found.low, low), (found.mean, mean), (found.high, high)):
        one, other = (np.array(each, dtype=float) for each in (ours, by_numpy))
        np.testing.assert_allclose(one, other, rtol=1e-9, atol=1e-9)


def test_a_source_that_speaks_every_five_seconds_leaves_no_holes(
    tmp_path: Path,
) -> None:
    plan = Plan(BOXES, drive_s=60, charge_s=60, prototypes=1)
    make(tmp_path / "van.db", 1, plan)
    start_us = FIRST_DAY_US + 20 * US_PER_S
    with Log(tmp_path / "van.db") as log:
        found = envelope(
            log, "module.1.temperature_degc", start_us, start_us + 60 * US_PER_S, 60
        )
    assert len(found.mean) == 60
    assert None not in found.mean


def test_where_seconds_were_let_go_minutes_are_drawn(tmp_path: Path) -> None:
    make(tmp_path / "van.db", 1, PLAN)
    end_us = FIRST_DAY_US + 3600 * US_PER_S
    with closing(sqlite3.connect(tmp_path / "van.db")) as log, log:
        log.execute("DELETE FROM block")
        log.execute("DELETE FROM span")
        log.execute(
            "INSERT INTO shed (run, what, until_us) VALUES (1, 'seconds', ?)",
            (4500 * US_PER_S,),
        )
    with Log(tmp_path / "van.db") as opened:
        found = envelope(opened, "pack.power_w", FIRST_DAY_US, end_us, 500)
    assert found.step_us == MINUTE_US
    assert None not in found.mean


def test_a_channel_that_was_never_heard_is_a_gap(path: Path) -> None:
    with Log(path) as log:
        found = envelope(log, "sun.roof.power_w", FIRST_DAY_US, FIRST_DAY_US + 10, 5)
    assert set(found.mean) == {None}
