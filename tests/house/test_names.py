"""Every channel's name says its unit, and no two say the same thing."""

import pytest

from logger.quantities import (
    QUANTITIES,
    Quantity,
    Unit,
    Which,
    find_channel,
    nearest_pattern,
)

SUFFIXES = sorted((u.suffix for u in Unit if u.suffix), key=len, reverse=True)


def suffix_of(name: str) -> str:
    """Return the longest known unit suffix that a name ends in, or nothing."""
    return next((s for s in SUFFIXES if name == s or name.endswith(f"_{s}")), "")


@pytest.mark.parametrize("quantity", QUANTITIES, ids=lambda q: q.pattern)
def test_a_name_ends_in_the_suffix_of_its_unit(quantity: Quantity) -> None:
    assert suffix_of(quantity.name) == quantity.unit.suffix


@pytest.mark.parametrize("quantity", QUANTITIES, ids=lambda q: q.pattern)
def test_a_quantity_has_a_range_a_label_and_codes_if_coded(quantity: Quantity) -> None:
    assert quantity.low < quantity.high
    assert quantity.label
    assert bool(quantity.codes) == quantity.is_coded
    numbers = [code.number for code in quantity.codes]
    assert numbers == sorted(set(numbers))


def test_no_pattern_stands_twice() -> None:
    patterns = [quantity.pattern for quantity in QUANTITIES]
    assert len(patterns) == len(set(patterns))


@pytest.mark.parametrize(
    ("name", "which"),
    [
        ("pack.current_a", ""),
        ("module.3.voltage_v", "3"),
        ("sun.roof_left.power_w", "roof_left"),
        ("cell.max_voltage_v", ""),
    ],
)
def test_a_channel_is_found_by_its_name(name: str, which: str) -> None:
    found = find_channel(name)
    assert found is not None
    assert found.which == which


@pytest.mark.parametrize(
    "name",
    ["", "pack", "pack.amps", "module.0.voltage_v", "module.x.voltage_v",
     "sun.Roof.power_w", "sun.power_w", "a.b.c.d", "sun.<name>.power_w"],
)  # fmt: skip
def test_what_is_not_in_the_list_is_not_found(name: str) -> None:
    assert find_channel(name) is None


def test_a_wrong_name_is_answered_with_the_nearest() -> None:
    assert nearest_pattern("pack.curent_a") == "pack.current_a"
    assert nearest_pattern("qqqqqqqq") is None


# The parts that a converted van has, each with at least one channel (DEVELOPERS.md).
PARTS = [
    *("pack", "module", "cell", "contactor", "service_switch", "charger", "link"),
    *("motor", "controller", "coolant", "brake", "pedal", "dcdc", "aux", "house"),
    *("sun", "awning", "ambient", "meter", "gps", "computer"),
]


@pytest.mark.parametrize("part", PARTS)
def test_every_system_of_the_van_has_channels(part: str) -> None:
    assert any(quantity.part == part for quantity in QUANTITIES)


def test_only_numbered_and_named_parts_repeat() -> None:
    assert {q.part for q in QUANTITIES if q.which is Which.NUMBER} == {"module", "cell"}
