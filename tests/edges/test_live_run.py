"""A whole logger over virtual buses and pseudo-terminals, as the demo runs it."""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from logger.core.health import Health
from logger.core.rollup import Minute
from logger.core.tick import Cell, Tick
from logger.core.trips import Trip
from logger.decode.frames import Beat, Entry, Frame, Line
from logger.desk import Desk
from logger.live import Snapshot
from logger.pipeline.chain import Pipeline
from logger.pipeline.spec import Balance, Output, Remark
from logger.places import Files
from logger.store.carrying import carried_count
from logger.store.reader import Log, RunRow
from logger.van.reading import Van
from tests.edges.living import lived_s, living


def only_run(files: Files) -> RunRow:
    with Log(files.log) as log:
        (run,) = log.runs()
    return run


def replayed(van: Van, log: Log, run: int) -> list[Output]:
    """Return what a log's own raw recording comes to, played again."""
    row = next(each for each in log.runs() if each.id == run)
    pipeline = Pipeline(van.spec, carried_count(log, row.start_us, {run}))
    outputs = pipeline.feed(log.raw(run))
    return [*outputs, *pipeline.finish()]


def test_a_live_run_stores_what_a_replay_of_its_own_recording_gives(
    tmp_path: Path,
) -> None:
    with living(tmp_path) as van:
        van.until(lambda now: now.seq > 5)
        Desk(van.files.desk).note(1, "left the yard")
        Desk(van.files.desk).tell(2, "awning.left.extended", 1.0)
        van.until(lambda now: now.desk_entry == 2 and lived_s(now) > 70)
        van.end_logger()
        with Log(van.files.log) as log:
            (run,) = log.runs()
            again = replayed(van.van, log, run.id)
            raw = list(log.raw(run.id))
            ticks = list(log.ticks(run.id))
            assert ticks == [plain(each) for each in again if isinstance(each, Tick)]
            assert log.trips(run.id) == [e for e in again if isinstance(e, Trip)]
            minutes = [e for e in again if isinstance(e, Minute)]
            assert log.minutes(run.id, "pack.power_w") == [
                (each.index, stored(each.cells["pack.power_w"])) for each in minutes
            ]
            balance = again[-1]
            assert isinstance(balance, Balance)
            assert log.totals(run.id) == balance.totals
            assert run.count == balance.count
            told = {e.text for e in again if isinstance(e, Remark)}
            assert told <= {event.text for event in log.events(run.id)}
    assert {type(item) for item in raw} == {Beat, Entry, Frame, Line}
    assert [item.seq for item in raw] == list(range(len(raw)))
    assert len(ticks) > 60
    assert minutes
    assert told == {"left the yard", "awning.left.extended is 1, told by hand."}
    channels = {name for each in ticks for name in each.cells}
    # Both buses and both ports are in it, and what is worked out.
    assert {
        "pack.current_a",
        "charger.a.dc_power_w",
        "sun.roof_left.power_w",
        "meter.soc_pct",
        "pack.power_w",
        "pack.soc_pct",
        "awning.left.extended",
    } <= channels


def stored(cell: Cell) -> Cell:
    """Return a minute's cell as the log gives it back: the mean and its time."""
    covered_s = cell.covered_us / 1_000_000
    return replace(cell, integral=cell.mean * covered_s)


def plain(tick: Tick) -> Tick:
    """Return a tick as the log gives it back: its gaps are rows of their own."""
    return Tick(tick.index, tick.first_us, tick.last_us, dict(tick.cells))


def test_a_clean_stop_is_quick_and_leaves_one_plain_file(tmp_path: Path) -> None:
    with living(tmp_path) as van:
        van.until(lambda now: now.seq > 10)
        took_s = van.end_logger()
    run = only_run(van.files)
    assert run.end_us is not None
    assert not van.files.snapshot.exists()
    assert [p.name for p in tmp_path.glob("van.db*")] == ["van.db"]
    assert took_s < 2.0 + 2.0  # 2 s are promised; the rest is for a busy machine


def test_the_snapshot_tells_value_unit_source_age_and_health(tmp_path: Path) -> None:
    with living(tmp_path) as van:
        now = van.until(
            lambda s: (
                s.readings.get("sun.roof_left.power_w") is not None
                and s.readings["sun.roof_left.power_w"].value is not None
                and "pack.soc_pct" in s.readings
                and s.readings["pack.soc_pct"].health is Health.FRESH
            )
        )
    charge = now.readings["pack.soc_pct"]
    assert charge.value is not None
    assert 0 < charge.value <= 100
    assert (charge.unit, charge.source) == ("%", "count")
    low, high = now.readings["pack.soc_low_pct"], now.readings["pack.soc_high_pct"]
    assert low.value is not None
    assert high.value is not None
    assert low.value < charge.value < high.value
    current = now.readings["pack.current_a"]
    assert (current.unit, current.source.split()[0]) == ("A", "drive")
    assert 0 <= current.age_s < 5
    assert {source.name for source in now.sources} == {
        "bus drive",
        "bus house",
        "port roof",
        "port meter",
    }
    assert now.not_stored == ""


def test_a_silent_bus_grows_old_and_the_others_stay_fresh(tmp_path: Path) -> None:
    with living(tmp_path) as van:
        van.until(lambda s: s.readings["pack.current_a"].health is Health.FRESH)
        van.speaker.mute("drive")
        late = van.until(lambda s: s.readings["pack.current_a"].health is Health.LATE)
        gone = van.until(
            lambda s: (
                s.readings["pack.current_a"].health is Health.MISSING
                and any(each.state == "silent" for each in s.sources)
            )
        )
        charger = gone.readings["charger.a.dc_voltage_v"]
    assert 2 < late.readings["pack.current_a"].age_s <= 10
    assert gone.readings["pack.current_a"].value is not None  # kept, with its age
    assert charger.health is Health.FRESH
    assert [each.name for each in gone.sources if each.state == "silent"] == [
        "bus drive"
    ]
    with Log(van.files.log) as log:
        kinds = {event.kind for event in log.events(1)}
    assert "source silent" in kinds


def test_a_run_goes_on_from_the_count_of_the_run_before(tmp_path: Path) -> None:
    with living(tmp_path) as van:
        van.until(lambda now: lived_s(now) > 30)
        van.end_logger()
        left = only_run(van.files).count
        van.start_logger()
        van.until(lambda now: now.run == 2 and "pack.soc_pct" in now.readings)
        van.end_logger()
    with Log(van.files.log) as log:
        first = next(iter(log.ticks(2)))
    assert left is not None
    assert left.counted_pct is not None
    counted_pct = first.cells["pack.soc_counted_pct"].last
    assert counted_pct == pytest.approx(left.counted_pct, abs=0.3)


def begun(run: int) -> Callable[[Snapshot], bool]:
    """Return the condition that a run is under way for a second."""
    return lambda now: now.run == run and now.seq > 5


def test_what_a_person_told_holds_in_the_next_run(tmp_path: Path) -> None:
    with living(tmp_path) as van:
        Desk(van.files.desk).tell(1, "awning.left.extended", 0.0)
        Desk(van.files.desk).tell(2, "awning.left.extended", 1.0)
        van.until(lambda now: now.desk_entry == 2)
        for number in (2, 3):
            van.end_logger()
            van.start_logger()
            now = van.until(begun(number))
            awning = now.readings["awning.left.extended"]
            assert (awning.value, awning.health) == (1.0, Health.FRESH)
            assert now.readings["awning.right.extended"].value is None
            assert now.desk_entry == 2
        van.end_logger()
    with Log(van.files.log) as log:
        events = [(each.kind, each.text) for each in log.events(3)]
    assert ("taken over", "awning.left.extended is 1, told by hand.") in events


def test_the_desk_is_booked_once_whatever_happens_between(tmp_path: Path) -> None:
    with living(tmp_path) as van:
        Desk(van.files.desk).note(1, "first")
        van.until(lambda now: now.desk_entry == 1)
        van.end_logger()
        Desk(van.files.desk).note(2, "while nobody listened")
        van.start_logger()
        van.until(lambda now: now.run == 2 and now.desk_entry == 2)
        van.end_logger()
    with Log(van.files.log) as log:
        notes = [
            (run.id, event.text)
            for run in log.runs()
            for event in log.events(run.id)
            if event.kind == "note"
        ]
    assert notes == [(1, "first"), (2, "while nobody listened")]
