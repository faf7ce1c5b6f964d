"""A factor goes in and comes out again, to the bit."""

from hypothesis import given
from hypothesis import strategies as st

from logger.core.scaling import rescaled, rounded, scaled
from logger.core.tick import Cell
from tests.builders import LAW

VALUES = st.floats(-1e9, 1e9, allow_subnormal=False).filter(
    lambda value: value == 0.0 or abs(value) > 1e-200
)
FACTORS = st.floats(1e-4, 1e4)


@LAW
@given(VALUES, VALUES, FACTORS, FACTORS)
def test_another_factor_gives_what_it_would_have_given_at_once(
    value: float, integral: float, before: float, after: float
) -> None:
    cell = Cell(3, value, value, value, integral, 1_000_000)
    assert rescaled(scaled(cell, before), before, after) == scaled(cell, after)


@LAW
@given(VALUES)
def test_rounding_costs_less_than_any_sensor_shows(value: float) -> None:
    # By hand: half a unit of the 48th bit is 2^-49 to 2^-48 of the value.
    assert abs(rounded(value) - value) <= abs(value) * 2.0**-48


def test_a_turn_of_the_motor_is_a_way_by_hand() -> None:
    # 3000 rpm x 2.1 m / 9 / 60 = 11.666... m/s, for one second.
    cell = scaled(Cell(2, 2990.0, 3000.0, 3000.0, 3000.0, 1_000_000), 2.1 / 9 / 60)
    assert abs(cell.last - 35 / 3) < 1e-13
    assert abs(cell.integral - 35 / 3) < 1e-13
    assert (cell.n, cell.covered_us) == (2, 1_000_000)
