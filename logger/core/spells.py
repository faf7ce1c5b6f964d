"""Spells in which a charger delivered: where one begins and ends, what it came to.

Found from minutes, so that a year of them is walked quickly; begin and end are those of
minutes. All chargers of the van together make one spell: they stand at one plug.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from logger.core.ledger import Tally, Total, sum_hours
from logger.core.rollup import Minute
from logger.core.tick import US_PER_S, Tick
from logger.quantities import find_channel

DC, AC = "charger.<name>.dc_power_w", "charger.<name>.ac_power_w"
CURRENT, SOC = "pack.current_a", "pack.soc_pct"

DELIVERS_W = 50.0
"""Below this, over a minute, a charger idles or only feeds the 12 V side (common
practice, no source)."""

LONGEST_PAUSE_MINUTES = 10
"""A charger that is too hot, or lets the cells balance, goes on within minutes (common
practice, no source); after a longer pause a new spell begins."""

LIKE_COVER_FRAC = 0.05
"""How far the times seen on the two sides of the chargers may differ, of the longer
one, for an efficiency to mean anything (design judgement)."""


@dataclass(frozen=True, slots=True)
class Spell:
    """What one spell of charging came to.

    Attributes:
        first_minute: Its first minute, whole minutes since the run's zero.
        last_minute: Its last one.
        covered_s: Time that its energy was seen, of the charger seen longest, s.
        energy_dc_wh: What the chargers delivered, Wh.
        energy_ac_wh: What they took from the wall, Wh; None if it was not measured.
        efficiency_frac: What was delivered of what was taken; None where the two were
            not seen for the same time.
        charge_net_ah: Charge into the pack meanwhile, Ah; None without a meter.
        soc_start_pct: State of charge before it, %.
        soc_end_pct: State of charge at its end, %.
    """

    first_minute: int
    last_minute: int
    covered_s: float
    energy_dc_wh: float
    energy_ac_wh: float | None
    efficiency_frac: float | None
    charge_net_ah: float | None
    soc_start_pct: float | None
    soc_end_pct: float | None


def is_wanted(channel: str) -> bool:
    """Return whether the finding of spells looks at a channel."""
    return channel in (CURRENT, SOC) or _pattern(channel) in (DC, AC)


@dataclass(slots=True)
class SpellFold:
    """Finds spells in the minutes of one run; is fed in their order, and answers."""

    _first: int | None = None
    _last: int = 0
    _tally: Tally = field(default_factory=Tally)
    _pause: list[Minute] = field(default_factory=list)
    _soc_pct: float | None = None
    _start_pct: float | None = None
    _end_pct: float | None = None

    def add(self, minute: Minute) -> Spell | None:
        """Take the next minute that has anything; return the spell that is over."""
        ended = None
        if minute.index - self._last > LONGEST_PAUSE_MINUTES:
            ended = self.finish()
        if _delivered_w(minute) >= DELIVERS_W:
            self._book(minute)
        elif self._first is not None:
            self._pause.append(minute)
        soc = minute.cells.get(SOC)
        self._soc_pct = self._soc_pct if soc is None else soc.last
        return ended

    def _book(self, minute: Minute) -> None:
        """Take a minute into the spell, and the pause that it brought to an end."""
        soc = minute.cells.get(SOC)
        if self._first is None:
            self._first, self._end_pct = minute.index, None
            # Before it; at the begin of a run that is the first that was heard.
            first_pct = None if soc is None else soc.low
            self._start_pct = first_pct if self._soc_pct is None else self._soc_pct
        for each in (*self._pause, minute):
            self._tally.add(Tick(each.index, 0, 0, each.cells))
        self._pause.clear()
        self._last = minute.index
        self._end_pct = self._end_pct if soc is None else soc.last

    def finish(self) -> Spell | None:
        """Return the spell under way, if there is one, and wait for the next."""
        if self._first is None:
            return None
        totals = self._tally.totals
        spell = Spell(
            first_minute=self._first,
            last_minute=self._last,
            covered_s=max(_covered_us(totals, DC)) / US_PER_S,
            energy_dc_wh=sum_hours(totals, DC) or 0.0,
            energy_ac_wh=sum_hours(totals, AC),
            efficiency_frac=_efficiency_frac(totals),
            charge_net_ah=sum_hours(totals, CURRENT),
            soc_start_pct=self._start_pct,
            soc_end_pct=self._end_pct,
        )
        self._first, self._tally, self._pause = None, Tally(), []
        return spell


def _pattern(channel: str) -> str:
    found = find_channel(channel)
    return found.quantity.pattern if found else ""


def _delivered_w(minute: Minute) -> float:
    return sum(c.mean for name, c in minute.cells.items() if _pattern(name) == DC)


def _covered_us(totals: Mapping[str, Total], pattern: str) -> Iterable[int]:
    return (t.covered_us for name, t in totals.items() if _pattern(name) == pattern)


def _efficiency_frac(totals: Mapping[str, Total]) -> float | None:
    dc_us, ac_us = sum(_covered_us(totals, DC)), sum(_covered_us(totals, AC))
    dc_wh, ac_wh = sum_hours(totals, DC), sum_hours(totals, AC)
    if dc_wh is None or ac_wh is None or ac_wh <= 0.0:
        return None
    if abs(dc_us - ac_us) > LIKE_COVER_FRAC * max(dc_us, ac_us):
        return None
    return dc_wh / ac_wh
