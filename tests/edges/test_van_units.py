"""Units that a feed may name, and what they make of a value."""

from pathlib import Path

import pytest

from logger.quantities import QUANTITIES, Unit
from logger.van.difference import difference
from logger.van.reading import read_settings
from logger.van.units import UNITS
from tests.edges.test_van_lines import SOUND, faults_of, spec_of


# By hand, from the definitions.
@pytest.mark.parametrize(("unit", "given", "value"), [
    ("mV", 12_800, 12.8),
    ("kWh", 1.5, 1500),
    ("kJ", 3600, 1000),
    ("degF", 212, 100),
    ("degF", -40, -40),
    ("K", 273.15, 0),
    ("km/h", 36, 10),
    ("mph", 60, 26.8224),
    ("kn", 22.4, 11.523556),   # NMEA 0183's published example
    ("mi", 7.4505, 11_990.42),
    ("h", 1, 3600),
    ("psi", 14.695949, 101_325),
    ("L/h", 600, 10),
    ("As", 3000, 0.833333),
    ("V", 5, 5),
])  # fmt: skip
def test_a_unit_is_turned_into_ours(unit: str, given: float, value: float) -> None:
    _, factor, added = UNITS[unit]
    assert given * factor + added == pytest.approx(value)


def test_every_unit_of_the_list_of_channels_is_known_by_its_symbol() -> None:
    for quantity in QUANTITIES:
        if quantity.unit is not Unit.CODE:
            assert UNITS[quantity.unit.symbol] == (quantity.unit, 1.0, 0.0)


def test_a_feed_is_scaled_by_its_unit_its_factor_and_its_sign(tmp_path: Path) -> None:
    text = SOUND.replace("flip = true", 'flip = true\nunit = "mA"\nscale = 10.0')
    _, amps = spec_of(tmp_path, text).line_feeds["meter", "main"]
    assert amps.scale == pytest.approx(-0.01)
    assert amps.offset == 0.0


def test_an_offset_is_in_the_unit_of_the_feed(tmp_path: Path) -> None:
    text = SOUND.replace("scale = 0.001", 'unit = "mV"\noffset = 500.0')
    volts, _ = spec_of(tmp_path, text).line_feeds["meter", "main"]
    assert 12_000 * volts.scale + volts.offset == pytest.approx(12.5)


@pytest.mark.parametrize(("unit", "told"), [
    ("mVolt", "found 'mVolt'. meter.voltage_v is in V. The nearest known is mV."),
    ("mA", "found 'mA'. meter.voltage_v is in V. Known are V, mV."),
    ("volts", "found 'volts'. meter.voltage_v is in V. Known are V, mV."),
])  # fmt: skip
def test_a_unit_that_does_not_fit_is_told(unit: str, told: str, tmp_path: Path) -> None:
    text = SOUND.replace("scale = 0.001", f'unit = "{unit}"')
    (fault,) = faults_of(tmp_path, text)
    assert "[[feed]] 1 unit: " in fault
    assert told in fault


def test_a_corrected_factor_is_reckoned_in_the_unit() -> None:
    before = SOUND.replace("scale = 0.001", 'unit = "mV"\noffset = 100.0')
    after = SOUND.replace("scale = 0.001", 'unit = "mV"\noffset = 300.0\nscale = 2.0')
    found = difference(read_settings(before), read_settings(after))
    # 12,000 -> 12.1 V before, 24.3 V after: twice as much and 0.1 V more.
    was_v, is_v = 12.1, 24.3
    gain = found.gains["meter.voltage_v"]
    assert gain.factor * was_v + gain.offset == pytest.approx(is_v)
