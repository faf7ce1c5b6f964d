"""What a run takes over: the count, wherever the run before was left."""

from collections.abc import Sequence
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from logger.core.rollup import Quarter
from logger.core.soc import Count
from logger.core.tick import Cell, Tick
from logger.pipeline.chain import Pipeline
from logger.pipeline.spec import Balance, Output
from logger.store.carrying import (
    COUNTED,
    carried_count,
    carried_to_live_run,
    left_at,
    told_before,
)
from logger.store.connect import connect_for_writing
from logger.store.reader import Log
from logger.store.rows import Batch
from logger.store.writer import RunEnd, RunStart, Writer
from tests.builders import run as played
from tests.builders import us
from tests.pipeline.boxes import counted, line, line_spec

START_US = 1_700_000_000_000_000
LIVE = RunStart(
    recording=None,
    recording_sha256=None,
    start_us=START_US,
    is_start_sure=True,
    zero_stamp_us=START_US,
    program="ampledger test",
    van_text="[van]\nname = 'Test'\n",
    descriptions={},
)
REPLAY = replace(LIVE, recording="drive.log", recording_sha256="ab" * 32)
COUNT = Count(60.0, -5.0, 3.0, 100.0, 7.0)


def balance(t_s: float, count: Count = COUNT) -> Balance:
    """Return a balance of some moment."""
    return Balance(
        t_us=us(t_s),
        totals={},
        count=count,
        sigma_pct=3.0,
        refusals=(),
        unmatched_frames=0,
    )


def second(index: int, counted_pct: float | None, last_s: float = 0.5) -> Tick:
    """Return a second whose newest sample is that far into it."""
    cells = {"pack.current_a": Cell(1, -9.0, -9.0, -9.0)}
    if counted_pct is not None:
        cells[COUNTED] = Cell(1, counted_pct, counted_pct, counted_pct)
    return Tick(index, us(index), us(index + last_s), cells)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "van.db"


def stored(
    path: Path,
    outputs: Sequence[Output],
    end_s: float | None = None,
    start: RunStart = LIVE,
) -> int:
    """Store a run; without an end it was cut off."""
    with Writer(path) as writer:
        run = writer.begin_run(start)
        writer.store(run, Batch(outputs))
        if end_s is not None:
            writer.end_run(run, RunEnd(us(end_s)))
    return run


def left(path: Path) -> tuple[int, Count | None]:
    """Return how the only run of a log was left."""
    with Log(path) as log:
        (run,) = log.runs()
        return left_at(log, run)


def carried(path: Path, after_s: float | None, without: tuple[int, ...] = ()) -> object:
    """Return the count that a run takes over which begins after the first's zero."""
    start_us = None if after_s is None else START_US + us(after_s)
    with Log(path) as log:
        return carried_count(log, start_us, without)


def test_a_run_that_was_ended_is_left_at_its_end(path: Path) -> None:
    stored(path, [second(19, 60.0), balance(20)], end_s=20.5)
    assert left(path) == (us(20.5), COUNT)


def test_an_end_in_the_second_of_the_balance_counts_nothing_twice(path: Path) -> None:
    stored(path, [second(20, 60.0, 0.2), balance(20.4)], end_s=20.4)
    assert left(path) == (us(20.4), COUNT)


def test_a_run_cut_off_is_left_at_its_last_stored_second(path: Path) -> None:
    # By hand: from 60 to 59.5 % in 9.5 s after the balance at 20 s.
    stored(path, [second(19, 60.0), balance(20), second(29, 59.5)])
    expected = replace(COUNT, counted_pct=59.5, moved_pct=-5.5, counted_s=109.5)
    assert left(path) == (us(29.5), expected)


def test_a_run_marked_as_cut_off_is_left_there_too(path: Path) -> None:
    stored(path, [balance(20), second(29, 59.5)], end_s=29.5)
    expected = replace(COUNT, counted_pct=59.5, moved_pct=-5.5, counted_s=109.5)
    assert left(path) == (us(29.5), expected)


def test_the_second_under_way_at_the_balance_is_not_lost(path: Path) -> None:
    # The balance of 20.7 s came while second 20 went on; its samples end at 20.5 s.
    stored(path, [second(19, 60.0), balance(20.7), second(20, 59.9)])
    end_us, count = left(path)
    assert count is not None
    assert (end_us, count.counted_pct, count.counted_s) == (us(20.7), 59.9, 100.0)


def test_silence_up_to_the_last_balance_was_still_the_run(path: Path) -> None:
    stored(path, [second(3, 60.0), balance(3600)])
    assert left(path) == (us(3600), COUNT)


@pytest.mark.parametrize("outputs", [
    [balance(20), second(29, None)],
    [balance(20, Count(None, -5.0)), second(29, 59.5)],
], ids=["no count in the second", "no count in the balance"])  # fmt: skip
def test_without_two_counts_the_balance_is_all_that_is_known(
    outputs: list[Output], path: Path
) -> None:
    stored(path, outputs)
    end_us, count = left(path)
    assert end_us == us(29.5)
    assert count is not None
    assert count.moved_pct == -5.0


@pytest.mark.parametrize(("outputs", "end_s"), [([], 0.0), ([second(4, 59.0)], 4.5)])
def test_a_run_cut_off_before_its_first_balance_has_no_count(
    outputs: list[Output], end_s: float, path: Path
) -> None:
    stored(path, outputs)
    assert left(path) == (us(end_s), None)
    assert carried(path, 100) is None


def test_the_time_between_two_runs_was_not_seen(path: Path) -> None:
    stored(path, [balance(20)], end_s=20)
    assert carried(path, 3620) == replace(COUNT, unseen_s=3607.0)


def test_an_undated_run_takes_nothing_over(path: Path) -> None:
    stored(path, [balance(20)], end_s=20)
    assert carried(path, None) is None


def test_nothing_is_taken_over_from_an_undated_run(path: Path) -> None:
    stored(path, [balance(20)], end_s=20, start=replace(LIVE, start_us=None))
    assert carried(path, 100) is None


@pytest.mark.parametrize(("after_s", "is_carried"), [(19.9, False), (20.0, True)])
def test_a_run_is_taken_over_once_it_was_left(
    after_s: float, is_carried: bool, path: Path
) -> None:
    stored(path, [balance(20)], end_s=20)
    assert (carried(path, after_s) is not None) is is_carried


def test_the_newest_of_several_runs_is_taken_over(path: Path) -> None:
    other = replace(COUNT, counted_pct=33.0)
    later = replace(LIVE, start_us=START_US + us(1000))
    stored(path, [balance(20, other)], end_s=20, start=later)
    stored(path, [balance(20)], end_s=20)
    assert carried(path, 2000) == replace(other, unseen_s=7.0 + 980.0)
    # One that begins between the two takes over the earlier one.
    assert carried(path, 900) == replace(COUNT, unseen_s=7.0 + 880.0)


def test_a_run_cut_off_is_taken_over_but_a_stopped_replay_is_not(path: Path) -> None:
    stored(path, [balance(20)])
    part = replace(REPLAY, start_us=START_US + us(100))
    stored(path, [balance(20, Count(1.0))], start=part)
    assert carried(path, 1000) == replace(COUNT, unseen_s=7.0 + 980.0)


def test_a_run_that_is_done_anew_is_left_out(path: Path) -> None:
    run = stored(path, [balance(20)], end_s=20, start=REPLAY)
    assert carried(path, 100, without=(run,)) is None


def test_an_empty_log_gives_nothing(path: Path) -> None:
    Writer(path).close()
    assert carried(path, 100) is None


def test_power_lost_anywhere_costs_no_counted_second(path: Path) -> None:
    # A real chain: a line of -36 A every half second, cut off after the second 24; the
    # newest balance is that of 12.3 s, in the middle of a second.
    spec = counted(line_spec("pack.current_a"))
    items = [line(0.5 * number, "-36") for number in range(52)]
    pipeline = Pipeline(spec)
    outputs = pipeline.feed(items[:25])
    outputs.append(pipeline.balance())
    outputs += pipeline.feed(items[25:])
    stored(path, outputs)
    end_us, count = left(path)
    whole = played(spec, items[:50]).closing
    assert end_us == us(24.5)
    assert count is not None
    assert count.counted_pct == pytest.approx(whole.count.counted_pct)
    assert count.moved_pct == pytest.approx(whole.count.moved_pct)
    assert count.counted_s == pytest.approx(whole.count.counted_s, abs=1.0)


def live(path: Path, after_s: float) -> Count | None:
    """Return the count that a live run takes over."""
    with Log(path) as log:
        return carried_to_live_run(log, START_US + us(after_s))


def test_a_live_run_takes_over_from_the_last_one_by_its_date(path: Path) -> None:
    stored(path, [balance(20)], end_s=20.0)
    assert live(path, 30.0) == replace(COUNT, unseen_s=17.0)


def test_a_clock_that_was_set_back_loses_no_count(path: Path) -> None:
    stored(path, [balance(20)], end_s=20.0)
    # The clock says half a day before the run that was the last one: an hour is taken.
    assert live(path, -43_200.0) == replace(COUNT, unseen_s=7.0 + 3600.0)


def test_a_live_run_takes_over_from_a_recording_where_no_live_run_was(
    path: Path,
) -> None:
    stored(path, [balance(20)], end_s=20.0, start=REPLAY)
    assert live(path, 30.0) == replace(COUNT, unseen_s=17.0)
    assert live(path, -5.0) is None


def test_a_clock_that_is_right_again_still_finds_the_last_run(path: Path) -> None:
    stored(path, [balance(20)], end_s=20.0)
    woke_up = replace(LIVE, start_us=START_US - us(86_400))
    later = replace(COUNT, counted_pct=42.0)
    stored(path, [balance(10, later)], end_s=10.0, start=woke_up)
    # The second run was the last one, whatever its date says.
    assert live(path, 3600.0) == replace(later, unseen_s=7.0 + 3600.0)


def test_a_run_that_had_no_balance_yet_is_passed_over(path: Path) -> None:
    stored(path, [balance(20)], end_s=20.0)
    stored(path, [], start=replace(LIVE, start_us=START_US + us(25)))
    assert live(path, 30.0) == replace(COUNT, unseen_s=17.0)


AWNING = "awning.left.extended"
OTHER = "awning.right.extended"


def told_in(index: int, value: float) -> Tick:
    """Return a second in which a person told that an awning is out, or in."""
    return Tick(index, us(index), us(index), {AWNING: Cell(1, value, value, value)})


def told(path: Path) -> dict[str, float]:
    """Return what a new run knows of both awnings."""
    with Log(path) as log:
        return told_before(log, [AWNING, OTHER])


def test_what_was_told_last_is_taken_over_from_a_live_run(path: Path) -> None:
    stored(path, [told_in(5, 0.0), told_in(9, 1.0), second(20, 60.0)], end_s=20)
    stored(path, [told_in(3, 0.0)], end_s=20, start=REPLAY)
    stored(path, [])  # cut off before anything was stored
    assert told(path) == {AWNING: 1.0}


def test_what_was_told_outlives_its_second(path: Path) -> None:
    quarter = Quarter(0, {AWNING: Cell(2, 0.0, 1.0, 1.0)})
    run = stored(path, [told_in(5, 1.0), quarter], end_s=20)
    with closing(connect_for_writing(path)) as connection:
        connection.execute("DELETE FROM tick WHERE run = ?", (run,))
    assert told(path) == {AWNING: 1.0}


def test_what_was_told_after_the_last_quarter_is_newer(path: Path) -> None:
    quarter = Quarter(0, {AWNING: Cell(1, 0.0, 0.0, 0.0)})
    stored(path, [told_in(5, 0.0), quarter, told_in(1000, 1.0)], end_s=1001)
    assert told(path) == {AWNING: 1.0}


def test_nothing_is_taken_over_that_nobody_told(path: Path) -> None:
    Writer(path).close()
    assert told(path) == {}
    stored(path, [second(20, 60.0)], end_s=20)
    assert told(path) == {}
