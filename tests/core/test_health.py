"""What the age of a reading makes of it, and when two boxes agree."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.core.health import PAIRS, Health, Pair, health_of_age
from tests.builders import LAW, us

CHARGE = next(pair for pair in PAIRS if pair.first == "pack.soc_pct")
VOLTS = next(pair for pair in PAIRS if pair.second == "meter.voltage_v")
FAR_VOLTS = next(pair for pair in PAIRS if pair.second == "controller.dc_voltage_v")


@pytest.mark.parametrize(("age_s", "period_s", "health"), [
    (0.0, 0.0, Health.FRESH),      # the beat is not known yet
    (2.0, 0.1, Health.FRESH),      # 2 s, whatever the beat
    (2.000001, 0.1, Health.LATE),
    (10.0, 0.1, Health.LATE),
    (10.000001, 0.1, Health.MISSING),
    (10.0, 5.0, Health.FRESH),     # two beats of 5 s
    (10.1, 5.0, Health.LATE),
    (25.0, 5.0, Health.LATE),      # five beats of 5 s
    (25.1, 5.0, Health.MISSING),
    (120.0, 60.0, Health.FRESH),
    (300.1, 60.0, Health.MISSING),
])  # fmt: skip
def test_a_reading_is_late_after_two_beats_and_missing_after_five(
    age_s: float, period_s: float, health: Health
) -> None:
    assert health_of_age(us(age_s), us(period_s)) is health


@LAW
@given(st.integers(0, us(1000)), st.integers(0, us(1000)), st.integers(0, us(60)))
def test_growing_older_makes_no_reading_better(
    age_us: int, longer_us: int, period_us: int
) -> None:
    order = [Health.FRESH, Health.LATE, Health.MISSING]
    young = health_of_age(age_us, period_us)
    old = health_of_age(age_us + longer_us, period_us)
    assert order.index(old) >= order.index(young)


@LAW
@given(st.integers(0, us(1000)), st.integers(0, us(60)), st.integers(0, us(60)))
def test_a_slower_beat_makes_no_reading_worse(
    age_us: int, period_us: int, slower_us: int
) -> None:
    order = [Health.FRESH, Health.LATE, Health.MISSING]
    quick = health_of_age(age_us, period_us)
    slow = health_of_age(age_us, period_us + slower_us)
    assert order.index(slow) <= order.index(quick)


@pytest.mark.parametrize(("pair", "first", "second", "agrees"), [
    (CHARGE, 60.0, 65.0, True),       # 5 points
    (CHARGE, 60.0, 54.9, False),
    (CHARGE, 0.0, 5.0, True),
    (VOLTS, 400.0, 396.0, True),      # 1 % of the larger
    (VOLTS, 400.0, 395.9, False),
    (VOLTS, 396.0, 400.0, True),      # whichever is the larger
    (VOLTS, 0.0, 0.0, True),
    (FAR_VOLTS, 400.0, 380.0, True),  # 5 % over the cables
    (FAR_VOLTS, 400.0, 379.0, False),
])  # fmt: skip
def test_two_boxes_agree_within_points_or_a_share(
    pair: Pair, first: float, second: float, agrees: bool
) -> None:
    assert pair.agrees(first, second) is agrees


@LAW
@given(st.floats(-2000, 2000), st.floats(-2000, 2000))
def test_which_of_two_boxes_is_the_first_is_no_matter(a: float, b: float) -> None:
    assert all(pair.agrees(a, b) == pair.agrees(b, a) for pair in PAIRS)
