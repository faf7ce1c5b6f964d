"""Which names are channels, and which one was meant."""

import pytest

from logger.quantities import Unit, find_channel, nearest_pattern


@pytest.mark.parametrize(
    "name", ["pack", "pack.current_mv", "module.x.voltage_v", "sun.a.b.power_w", ""]
)
def test_a_name_without_a_quantity_is_no_channel(name: str) -> None:
    assert find_channel(name) is None


def test_a_unit_has_the_suffix_of_its_channels() -> None:
    assert (Unit.AMPERE.suffix, Unit.CODE.suffix) == ("a", "")


@pytest.mark.parametrize(("name", "pattern"), [
    ("pack.curent_a", "pack.current_a"),
    ("modul.3.voltage_v", "module.<number>.voltage_v"),
    ("xyzzy", None),
])  # fmt: skip
def test_a_misspelt_channel_has_a_nearest_pattern(
    name: str, pattern: str | None
) -> None:
    assert nearest_pattern(name) == pattern
