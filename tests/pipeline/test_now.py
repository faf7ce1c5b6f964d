"""How every channel stands at one moment, as pages show it."""

from collections.abc import Iterable
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.core.health import Health, Reading
from logger.core.tick import GapRule
from logger.decode.frames import Item, Row
from logger.pipeline.chain import Pipeline
from logger.pipeline.spec import Feed, PipelineSpec
from tests.builders import LAW, box_spec, channel, dbc, frame, rows, table_spec, us
from tests.pipeline.boxes import AWNING, beat, counted, line, line_spec, told

VOLTS = "pack.voltage_v"
SPEC = line_spec(VOLTS)


def now(spec: PipelineSpec, items: Iterable[Item], now_s: float) -> dict[str, Reading]:
    """Return the readings after some items, by channel."""
    pipeline = Pipeline(spec)
    pipeline.feed(items)
    return {each.channel: each for each in pipeline.readings(us(now_s))}


def volts(items: Iterable[Item], now_s: float) -> Reading:
    """Return how the voltage stands."""
    return now(SPEC, items, now_s)[VOLTS]


def test_what_was_never_heard_is_missing_and_has_no_value() -> None:
    reading = volts([], 60)
    assert (reading.value, reading.mean, reading.health) == (None, None, Health.MISSING)
    assert (reading.source, reading.note) == ("", "")


def test_a_reading_knows_value_time_age_and_source() -> None:
    reading = volts([line(10, "400"), line(11, "401.5")], 12.25)
    assert (reading.value, reading.t_us) == (401.5, us(11))
    assert (reading.age_us, reading.period_us) == (us(1.25), us(1))
    assert (reading.health, reading.source) == (Health.FRESH, "meter main")


def test_a_reading_counts_before_its_second_is_over() -> None:
    assert volts([line(10, "400"), line(10.1, "402")], 10.2).value == 402.0


def test_a_moment_before_the_newest_sample_makes_no_negative_age() -> None:
    assert volts([line(10, "400")], 9).age_us == 0


@pytest.mark.parametrize(("age_s", "health"), [
    (2.0, Health.FRESH),
    (2.1, Health.LATE),
    (10.0, Health.LATE),
    (10.1, Health.MISSING),
    (86_400.0, Health.MISSING),
])  # fmt: skip
def test_a_box_that_speaks_every_second_is_late_after_two(
    age_s: float, health: Health
) -> None:
    reading = volts([line(0, "400"), line(1, "400")], 1 + age_s)
    assert reading.health is health
    assert reading.value == 400.0  # with its age, so that a page can say when it was


@pytest.mark.parametrize(("age_s", "health"), [
    (60.0, Health.FRESH),
    (60.1, Health.LATE),
    (150.0, Health.LATE),
    (150.1, Health.MISSING),
])  # fmt: skip
def test_a_slow_box_has_its_own_time(age_s: float, health: Health) -> None:
    spec = line_spec(VOLTS, rule=GapRule(period_us=us(30)))
    assert now(spec, [line(0, "400")], age_s)[VOLTS].health is health


def test_the_mean_is_that_of_the_last_two_counted_seconds() -> None:
    # By hand, trapezoids of 1 s each: (100 + 300) / 2 = 200 and (300 + 500) / 2 = 400.
    items: list[Item] = [line(0, "100"), line(1, "300"), line(2, "500"), beat(3)]
    assert volts(items, 3).mean == 300.0


def test_the_mean_is_weighted_by_time() -> None:
    # By hand: 400 V for 4 s, then 100 V at the end of 1 s: (1600 + 250) / 5.
    items: list[Item] = [line(0, "400"), line(4, "400"), line(5, "100"), beat(6)]
    assert volts(items, 6).mean == 370.0


@pytest.mark.parametrize("items", [
    [line(0, "400"), line(0.5, "400")],  # its second is not over
    [line(0, "400"), beat(2)],           # one sample alone covers no time
])  # fmt: skip
def test_before_anything_was_counted_there_is_no_mean(items: list[Item]) -> None:
    assert volts(items, 2).mean is None


def test_a_missing_reading_has_no_mean_as_if_it_were_live() -> None:
    items = [line(t_s, "400") for t_s in range(5)]
    assert volts(items, 13).mean == 400.0
    assert volts(items, 15).mean is None


def test_a_refused_value_is_implausible_and_shows_what_came() -> None:
    reading = volts([line(0, "400"), line(1, "9999")], 1.5)
    assert (reading.health, reading.note) == (Health.IMPLAUSIBLE, "9999")
    assert (reading.value, reading.age_us) == (400.0, us(1.5))


def test_a_box_that_never_said_anything_sound_is_implausible() -> None:
    reading = volts([line(1, "9999")], 1.5)
    assert (reading.health, reading.value) == (Health.IMPLAUSIBLE, None)


def test_one_sound_value_ends_it() -> None:
    reading = volts([line(0, "9999"), line(1, "400")], 1.5)
    assert (reading.health, reading.note) == (Health.FRESH, "")


@pytest.mark.parametrize(("age_s", "health"), [
    (10.0, Health.IMPLAUSIBLE), (10.1, Health.MISSING)
])  # fmt: skip
def test_a_box_that_talked_nonsense_and_fell_silent_is_silent(
    age_s: float, health: Health
) -> None:
    assert volts([line(0, "9999")], age_s).health is health


FIRST = Feed(channel(VOLTS), 0)
RANKED = PipelineSpec(
    table_feeds={"trip": (FIRST,), "spare": (replace(FIRST, rank=2),)}
)


def spare(t_s: float, cell: str) -> Item:
    """Return a row of the second box."""
    (item,) = rows((t_s, cell))
    assert isinstance(item, Row)
    return replace(item, table="spare")


def test_the_source_is_the_box_that_was_used_last() -> None:
    both: list[Item] = [*rows((0, 400)), spare(0.5, "390")]
    assert now(RANKED, both, 1)[VOLTS].source == "trip"
    later: list[Item] = [*both, *(spare(t_s, "390") for t_s in range(1, 9))]
    reading = now(RANKED, later, 8)[VOLTS]
    assert (reading.source, reading.value) == ("spare", 390.0)


def test_nonsense_of_a_box_that_is_not_used_says_nothing_of_the_reading() -> None:
    items: list[Item] = [*rows((0, 400)), spare(0.5, "9999")]
    assert now(RANKED, items, 1)[VOLTS].health is Health.FRESH


def test_a_frame_is_a_source_by_bus_and_message() -> None:
    spec = box_spec(dbc(["0|16@1+ (0.1,0)"]), Feed(channel(VOLTS), 0))
    reading = now(spec, [frame(0, "A0 0F 00 00 00 00 00 00")], 0)[VOLTS]
    assert (reading.value, reading.source) == (400.0, "drive Box")


def test_what_is_worked_out_says_of_what() -> None:
    spec = line_spec("pack.current_a", VOLTS)
    readings = now(spec, [line(0, "-10,400")], 1)
    assert readings["pack.power_w"].value == -4000.0
    sources = {name: readings[name].source for name in readings}
    assert (
        sources["pack.power_w"] == "worked out from pack.current_a and pack.voltage_v"
    )
    assert sources["pack.discharging_power_w"] == "worked out from pack.power_w"


def test_what_is_told_by_hand_holds_and_says_so() -> None:
    spec = replace(SPEC, told=(AWNING,))
    before = now(spec, [], 5)[AWNING]
    assert (before.health, before.value, before.source) == (
        Health.MISSING,
        None,
        "told by hand",
    )
    after = now(spec, [told(0, 1)], 1e6)[AWNING]
    assert (after.health, after.value, after.age_us) == (Health.FRESH, 1.0, us(1e6))


APART = line_spec(VOLTS, "meter.voltage_v")


def test_two_boxes_that_stay_apart_disagree_and_each_names_the_other() -> None:
    items = [line(t_s, "400,380") for t_s in range(12)]
    readings = now(APART, items, 11)
    assert {name: (each.health, each.note) for name, each in readings.items()} == {
        VOLTS: (Health.DISAGREEING, "meter.voltage_v"),
        "meter.voltage_v": (Health.DISAGREEING, VOLTS),
    }


def test_two_boxes_may_be_apart_for_a_moment() -> None:
    items = [line(t_s, "400,380") for t_s in range(10)]
    assert now(APART, items, 9)[VOLTS].health is Health.FRESH


def test_age_goes_before_disagreement() -> None:
    items = [line(t_s, "400,380") for t_s in range(12)]
    late = now(APART, items, 14)[VOLTS]
    assert (late.health, late.note) == (Health.LATE, "")


def test_a_value_that_stands_still_under_a_swinging_load_is_frozen() -> None:
    spec = line_spec("pack.current_a", VOLTS)
    items = [line(t_s, f"{-90 * (t_s % 2)},400") for t_s in range(70)]
    readings = now(spec, items, 69)
    assert readings[VOLTS].health is Health.FROZEN
    assert readings["pack.current_a"].health is Health.FRESH


COUNTED = counted(table_spec("pack.current_a", "meter.soc_pct"))
CHARGE = [
    "pack.soc_pct",
    "pack.soc_low_pct",
    "pack.soc_high_pct",
    "pack.soc_counted_pct",
]


def test_the_count_is_as_old_as_the_newest_current() -> None:
    readings = now(COUNTED, rows((0, 0, None), (1, 0, None)), 2.5)
    # 1.96 x 5 + 0.4 = 10.2 points each way
    assert [readings[name].value for name in CHARGE] == [
        50.0, pytest.approx(39.8), pytest.approx(60.2), 50.0
    ]  # fmt: skip
    for name in CHARGE:
        each = readings[name]
        assert (each.t_us, each.age_us, each.period_us) == (us(1), us(1.5), us(1))
        assert (each.health, each.source, each.mean) == (Health.FRESH, "count", None)


@pytest.mark.parametrize(("now_s", "health"), [
    (4, Health.LATE), (12, Health.MISSING)
])  # fmt: skip
def test_without_a_current_the_count_grows_old(now_s: float, health: Health) -> None:
    readings = now(COUNTED, rows((0, 0, None), (1, 0, None)), now_s)
    assert readings["pack.soc_pct"].health is health
    assert readings["pack.soc_pct"].value == 50.0


def test_a_count_whose_current_was_never_heard_is_missing() -> None:
    reading = now(COUNTED, rows((0, None, 50)), 1)["pack.soc_pct"]
    assert (reading.health, reading.age_us, reading.value) == (
        Health.MISSING,
        us(1),
        50.0,
    )


def test_count_and_meter_that_stay_apart_disagree() -> None:
    apart = rows(*((t_s, 0, 44) for t_s in range(12)), (12, None, None))
    readings = now(COUNTED, [*apart, beat(12)], 12)
    assert readings["pack.soc_pct"].health is Health.DISAGREEING
    assert readings["pack.soc_pct"].note == "meter.soc_pct"
    assert readings["meter.soc_pct"].health is Health.DISAGREEING


def test_a_meter_that_has_fallen_silent_does_not_disagree_for_ever() -> None:
    apart = [(t_s, 0, 44) for t_s in range(12)]
    alone = [(t_s, 0, None) for t_s in range(12, 80)]
    readings = now(COUNTED, rows(*apart, *alone), 79)
    assert readings["meter.soc_pct"].health is Health.MISSING
    assert readings["pack.soc_pct"].health is Health.FRESH


@pytest.mark.parametrize("spec", [
    replace(COUNTED, pack=None),
    replace(COUNTED, start=replace(COUNTED.start, counted_pct=None)),
    counted(SPEC),
], ids=["no pack", "no start", "no current"])  # fmt: skip
def test_where_nothing_can_be_counted_no_charge_is_shown(spec: PipelineSpec) -> None:
    assert not set(CHARGE) & set(now(spec, [], 1))


@LAW
@given(st.lists(st.tuples(st.floats(0, 20), st.sampled_from(["400", "9999", ""]))),
       st.floats(0, 1000))  # fmt: skip
def test_nothing_old_ever_looks_fresh(
    lines: list[tuple[float, str]], after_s: float
) -> None:
    t_s, items = 0.0, list[Item]()
    for dt_s, text in lines:
        t_s += dt_s
        items.append(line(t_s, text))
    reading = volts(items, t_s + after_s)
    if reading.health is Health.FRESH:
        assert reading.value == 400.0
        assert reading.age_us <= max(us(2), 2 * reading.period_us)
    else:
        assert reading.value in (None, 400.0)
