"""Spells of charging: where one begins and ends, and what it came to."""

from collections.abc import Iterable, Mapping

import pytest

from logger.core.rollup import Minute
from logger.core.spells import LONGEST_PAUSE_MINUTES, Spell, SpellFold, is_wanted
from logger.core.tick import Cell
from tests.builders import us


def cell(value: float, covered_s: float = 60.0) -> Cell:
    """Return a minute in which a channel kept one value."""
    return Cell(60, value, value, value, value * covered_s, us(covered_s))


def minute(index: int, **values: float) -> Minute:
    """Return a minute of `charger.a` (dc, ac), pack current (amps) and charge (soc)."""
    names = {
        "dc": "charger.a.dc_power_w",
        "ac": "charger.a.ac_power_w",
        "dc_b": "charger.b.dc_power_w",
        "amps": "pack.current_a",
        "soc": "pack.soc_pct",
    }
    return Minute(index, {names[key]: cell(value) for key, value in values.items()})


def spells(minutes: Iterable[Minute]) -> list[Spell]:
    """Return the spells in the minutes of a run."""
    fold = SpellFold()
    found = [fold.add(each) for each in minutes]
    return [each for each in (*found, fold.finish()) if each is not None]


def test_a_spell_lasts_from_the_first_to_the_last_minute_that_delivers() -> None:
    minutes = [
        minute(9, dc=0.0, soc=40.0),
        *(minute(i, dc=1800.0, ac=2000.0, amps=30.0, soc=40.0 + i) for i in (10, 11)),
        minute(12, dc=900.0, ac=1000.0, amps=15.0, soc=53.0),
        minute(13, dc=10.0, ac=40.0, amps=-1.0, soc=52.9),
    ]
    (spell,) = spells(minutes)
    assert (spell.first_minute, spell.last_minute) == (10, 12)
    # 1800 + 1800 + 900 W, a minute each; 90 % of what the wall gave.
    assert spell.energy_dc_wh == pytest.approx(75.0)
    assert spell.energy_ac_wh == pytest.approx(5000.0 / 60)
    assert spell.efficiency_frac == pytest.approx(0.9)
    assert spell.charge_net_ah == pytest.approx(75.0 / 60)
    assert spell.covered_s == 180.0
    assert (spell.soc_start_pct, spell.soc_end_pct) == (40.0, 53.0)


def test_a_pause_belongs_to_its_spell_and_a_long_one_ends_it() -> None:
    first = [minute(0, dc=1000.0, amps=10.0), minute(1, dc=0.0, amps=-2.0)]
    (spell,) = spells([*first, minute(LONGEST_PAUSE_MINUTES, dc=1000.0, amps=10.0)])
    assert (spell.first_minute, spell.last_minute) == (0, LONGEST_PAUSE_MINUTES)
    assert spell.charge_net_ah == pytest.approx((10 - 2 + 10) / 60)
    two = spells([*first, minute(LONGEST_PAUSE_MINUTES + 1, dc=1000.0, amps=10.0)])
    assert [each.first_minute for each in two] == [0, LONGEST_PAUSE_MINUTES + 1]
    # The pause behind the first one is in neither.
    assert [each.charge_net_ah for each in two] == pytest.approx([10 / 60, 10 / 60])


def test_a_spell_at_the_begin_of_a_run_starts_where_the_charge_was_first_heard() -> (
    None
):
    fold = SpellFold()
    first = {"charger.a.dc_power_w": cell(500.0)}
    fold.add(Minute(0, {**first, "pack.soc_pct": Cell(9, 20.0, 21.0, 21.0)}))
    spell = fold.finish()
    assert spell is not None
    assert (spell.soc_start_pct, spell.soc_end_pct) == (20.0, 21.0)
    # The next one starts where the first one ended.
    fold.add(minute(1, soc=21.5))
    fold.add(Minute(2, first))
    second = fold.finish()
    assert second is not None
    assert (second.soc_start_pct, second.soc_end_pct) == (21.5, None)


def test_two_chargers_at_one_plug_are_one_spell() -> None:
    (spell,) = spells([minute(0, dc=30.0, dc_b=30.0), minute(1, dc_b=600.0)])
    assert spell.energy_dc_wh == pytest.approx(11.0)
    assert spell.covered_s == 120.0
    unknown = (spell.energy_ac_wh, spell.efficiency_frac, spell.charge_net_ah)
    assert (*unknown, spell.soc_start_pct, spell.soc_end_pct) == (None,) * 5


@pytest.mark.parametrize(
    ("ac_w", "ac_covered_s"), [(2000.0, 50.0), (0.0, 60.0), (-5.0, 60.0)]
)
def test_an_efficiency_that_means_nothing_is_not_told(
    ac_w: float, ac_covered_s: float
) -> None:
    cells: Mapping[str, Cell] = {
        "charger.a.dc_power_w": cell(1800.0),
        "charger.a.ac_power_w": cell(ac_w, ac_covered_s),
    }
    (spell,) = spells([Minute(0, cells)])
    assert spell.energy_ac_wh is not None
    assert spell.efficiency_frac is None


def test_a_run_without_a_charger_has_no_spell() -> None:
    assert spells([minute(i, amps=30.0, soc=50.0) for i in range(30)]) == []


def test_only_what_a_spell_is_made_of_is_wanted() -> None:
    names = ("charger.a.dc_power_w", "charger.b.ac_power_w", "pack.current_a")
    assert all(is_wanted(name) for name in (*names, "pack.soc_pct"))
    others = ("charger.a.status", "sun.roof.power_w", "pack.voltage_v", "no.such_w")
    assert not any(is_wanted(name) for name in others)
