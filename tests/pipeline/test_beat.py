"""A beat says that time has passed: it changes when something is told, never what."""

from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st

from logger.core.rollup import Minute
from logger.core.tick import Tick
from logger.core.trips import Trip
from logger.decode.frames import Beat, Item
from logger.pipeline.chain import Pipeline
from logger.pipeline.spec import Output
from tests.builders import LAW, Outcome, run, us
from tests.pipeline.boxes import beat, line
from tests.pipeline.drives import BEATS, KEYLESS, SPEC, SPECS, drives, mixed


def of_kind(outcome: Outcome, kind: type[Output]) -> list[Output]:
    """Return the outputs of one kind, in their order."""
    return [each for each in outcome.outputs if isinstance(each, kind)]


@LAW
@given(drives(), BEATS, st.sampled_from(sorted(SPECS)), st.floats(0, 1000))
def test_with_and_without_beats_the_same_is_told(
    items: list[Item], beats_s: list[float], van: str, after_s: float
) -> None:
    last = Beat(items[-1].t_us + us(after_s), 1 << 40)
    without = run(SPECS[van], [*items, last])
    with_beats = run(SPECS[van], [*mixed(items, beats_s), last])
    kinds: list[type[Output]] = [Tick, Minute, Trip]
    for kind in kinds:
        assert of_kind(with_beats, kind) == of_kind(without, kind)
    assert with_beats.closing == without.closing


@LAW
@given(drives(), BEATS, st.lists(st.integers(0, 70), max_size=10))
def test_any_cutting_into_batches_gives_the_same(
    items: list[Item], beats_s: list[float], places: list[int]
) -> None:
    mix = mixed(items, beats_s)
    pipeline, outputs = Pipeline(SPEC), list[Output]()
    edges = sorted({0, len(mix), *(min(place, len(mix)) for place in places)})
    for start, end in pairwise(edges):
        outputs += pipeline.feed(mix[start:end])
    outputs += pipeline.finish()
    assert tuple(outputs) == run(SPEC, mix).outputs


@LAW
@given(drives(), BEATS, st.lists(st.integers(0, 70), max_size=10))
def test_being_asked_in_between_changes_nothing(
    items: list[Item], beats_s: list[float], places: list[int]
) -> None:
    mix = mixed(items, beats_s)
    pipeline, outputs = Pipeline(SPEC), list[Output]()
    for number, item in enumerate(mix):
        outputs += pipeline.feed([item])
        if number in places:
            pipeline.readings(item.t_us)
            pipeline.balance()
    outputs += pipeline.finish()
    assert tuple(outputs) == run(SPEC, mix).outputs


def kinds_after(pipeline: Pipeline, *items: Item) -> list[str]:
    """Return what kinds of thing the next items bring."""
    return [type(each).__name__ for each in pipeline.feed(items)]


def test_a_second_ends_with_the_beat_of_the_next() -> None:
    pipeline = Pipeline(SPEC)
    assert kinds_after(pipeline, line(0, "5,400,,,"), beat(0.9)) == []
    assert kinds_after(pipeline, beat(1.0)) == ["Tick"]
    assert kinds_after(pipeline, beat(2.0), beat(3.0)) == []


def test_a_minute_ends_with_the_beat_of_the_next() -> None:
    pipeline = Pipeline(SPEC)
    assert kinds_after(pipeline, line(0, "5,400,,,"), beat(59.9)) == ["Tick"]
    assert kinds_after(pipeline, beat(60.0)) == ["Minute"]
    assert kinds_after(pipeline, beat(61.0), beat(120.0)) == []


def test_a_trip_ends_once_its_key_has_been_silent_for_ten_minutes() -> None:
    pipeline = Pipeline(SPEC)
    pipeline.feed([line(0, "5,400,1,,"), beat(60)])
    assert kinds_after(pipeline, beat(600)) == []
    assert kinds_after(pipeline, beat(600.1)) == ["Trip"]
    assert kinds_after(pipeline, beat(700)) == []


def test_a_second_under_way_may_still_hear_its_key() -> None:
    # The second began within the ten minutes, the beat comes after them.
    pipeline = Pipeline(SPEC)
    pipeline.feed([line(0.5, ",,1,,"), beat(60), line(600.4, "5,400,,,")])
    assert kinds_after(pipeline, beat(600.6)) == []
    assert kinds_after(pipeline, line(600.7, ",,1,,"), beat(601)) == ["Tick"]


def test_without_a_key_no_silence_ends_a_trip() -> None:
    outcome = run(KEYLESS, [line(0, "5,9"), beat(4000), line(4001, "5,9")])
    (trip,) = outcome.trips
    assert (trip.start_us, trip.end_us) == (0, us(4001))


def test_beats_alone_are_a_run_in_which_nothing_was_heard() -> None:
    outcome = run(SPEC, [beat(0), beat(1), beat(2)])
    assert outcome.outputs == (outcome.closing,)
    assert outcome.closing.t_us == us(2)


def test_silence_up_to_the_last_beat_is_not_seen() -> None:
    outcome = run(SPEC, [line(0, "5,400,,,"), beat(1800)])
    (_, gaps) = outcome.ticks
    assert {(gap.channel, gap.end_us) for gap in gaps.gaps} == {
        (name, us(1800)) for name in (
            "pack.current_a", "pack.voltage_v", "pack.power_w",
            "pack.charging_power_w", "pack.discharging_power_w",
        )
    }  # fmt: skip
    assert outcome.closing.count.unseen_s == 1800.0


def test_a_silent_night_costs_certainty_while_it_lasts() -> None:
    pipeline = Pipeline(SPEC)
    pipeline.feed([line(0, "0,400,,,"), beat(1)])
    evening = pipeline.balance().count.unseen_s
    pipeline.feed([beat(1800)])
    assert evening == 0.0
    assert pipeline.balance().count.unseen_s == 1800.0


def test_a_short_silence_costs_none() -> None:
    # Up to 5 s between two samples are no gap.
    pipeline = Pipeline(SPEC)
    pipeline.feed([line(0, "0,400,,,"), beat(5)])
    assert pipeline.balance().count.unseen_s == 0.0
    assert run(SPEC, [line(0, "0,400,,,"), beat(5)]).closing.count.unseen_s == 0.0
