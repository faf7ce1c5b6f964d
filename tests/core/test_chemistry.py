"""The published open-circuit tables, and the straight line between their rows."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.core.chemistry import CHEMISTRIES, CURVES, cell_voltage_v
from tests.builders import LAW


# Open-circuit voltages of the parameter sets named in the module's first lines.
@pytest.mark.parametrize(
    ("chemistry", "soc_pct", "cell_v"),
    [
        ("nmc811", 50, 3.7509),  # Chen 2020
        ("lfp", 50, 3.2660),  # Prada 2013
        ("nmc532", 50, 3.7155),  # Mohtat 2020
        ("nca", 50, 3.6846),  # Kim 2011
        ("nco", 50, 3.7873),  # Ecker 2015
        ("lco", 50, 3.7450),  # Marquis 2019
        ("nmc811", 0, 2.5),
        ("lfp", 100, 3.6),
        ("lfp", 40, 3.2525),
        ("lfp", 70, 3.2740),
    ],
)
def test_a_row_of_the_table_is_met(
    chemistry: str, soc_pct: float, cell_v: float
) -> None:
    assert cell_voltage_v(CURVES[chemistry], soc_pct) == pytest.approx(cell_v)


@LAW
@given(st.sampled_from(CHEMISTRIES), st.floats(-50, 150))
def test_between_and_beyond_the_rows_it_is_numpys_interpolation(
    chemistry: str, soc_pct: float
) -> None:
    levels, volts = zip(*CURVES[chemistry], strict=True)
    expected = np.interp(soc_pct, levels, volts)  # holds the ends
    assert cell_voltage_v(CURVES[chemistry], soc_pct) == pytest.approx(expected)


@pytest.mark.parametrize(
    ("soc_pct", "cell_v"), [(-3.0, 3.0), (0.0, 3.0), (25.0, 3.25), (100.0, 4.0)]
)
def test_a_table_of_two_rows_is_a_line_with_both_ends_held(
    soc_pct: float, cell_v: float
) -> None:
    assert cell_voltage_v(((0.0, 3.0), (100.0, 4.0)), soc_pct) == cell_v


@pytest.mark.parametrize("chemistry", CHEMISTRIES)
def test_every_curve_rises_from_0_to_100(chemistry: str) -> None:
    levels, volts = zip(*CURVES[chemistry], strict=True)
    assert (levels[0], levels[-1]) == (0.0, 100.0)
    assert np.all(np.diff(levels) > 0)
    assert np.all(np.diff(volts) > 0)
