"""The running totals: what each account's integral comes to over any stretch.

An account is a channel whose integral is booked: power accounts in watt-seconds (shown
as Wh), charge in ampere-seconds, way in metres. Totals add up in tick order, so the
total of a stretch is the sum of its parts.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import lru_cache

from logger.core.tick import SECONDS_PER_HOUR, Tick
from logger.quantities import find_channel

BOOKED_PATTERNS = frozenset(
    {
        "road.speed_mps",
        "pack.current_a",
        "pack.charging_power_w",
        "pack.discharging_power_w",
        "sun.<name>.power_w",
        "charger.<name>.dc_power_w",
        "charger.<name>.ac_power_w",
        "motor.dc_power_w",
        "dcdc.input_power_w",
        "dcdc.output_power_w",
        "house.power_w",
        "load.<name>.power_w",
    }
)
"""The channels whose integrals are kept for ever."""


@dataclass(frozen=True, slots=True)
class Total:
    """What one account came to.

    Attributes:
        integral: The channel's unit times s.
        covered_us: Time that was counted, microseconds.
        skipped_us: Time that was not seen, microseconds.
    """

    integral: float = 0.0
    covered_us: int = 0
    skipped_us: int = 0


@lru_cache(maxsize=4096)
def is_booked(channel: str) -> bool:
    """Return whether a channel's integral is an account of the ledger."""
    found = find_channel(channel)
    return found is not None and found.quantity.pattern in BOOKED_PATTERNS


@dataclass(slots=True)
class _Account:
    """One total under way."""

    integral: float = 0.0
    covered_us: int = 0
    skipped_us: int = 0


@dataclass(slots=True)
class Tally:
    """Adds ticks up, account by account; is fed and answers."""

    _accounts: dict[str, _Account] = field(default_factory=dict)

    @classmethod
    def of(cls, totals: Mapping[str, Total]) -> "Tally":
        """Return a tally that goes on from what was booked before.

        Args:
            totals: What each account came to, by channel name.
        """
        return cls(
            {
                name: _Account(each.integral, each.covered_us, each.skipped_us)
                for name, each in totals.items()
            }
        )

    def add(self, tick: Tick) -> None:
        """Book every account of one tick, and the time that it skipped."""
        _book(self._accounts, tick)

    def totals_with(self, tick: Tick) -> dict[str, Total]:
        """Return what each account would come to with one more tick."""
        accounts = {name: replace(each) for name, each in self._accounts.items()}
        _book(accounts, tick)
        return _totals(accounts)

    @property
    def totals(self) -> dict[str, Total]:
        """What each account came to so far, by channel name."""
        return _totals(self._accounts)


def _book(accounts: dict[str, _Account], tick: Tick) -> None:
    for name, cell in tick.cells.items():
        if is_booked(name):
            account = accounts.get(name)
            if account is None:
                account = accounts[name] = _Account()
            account.integral += cell.integral
            account.covered_us += cell.covered_us
    for gap in tick.gaps:
        if gap.channel in accounts:
            accounts[gap.channel].skipped_us += gap.end_us - gap.start_us


def _totals(accounts: Mapping[str, _Account]) -> dict[str, Total]:
    return {
        name: Total(each.integral, each.covered_us, each.skipped_us)
        for name, each in accounts.items()
    }


def sum_hours(totals: Mapping[str, Total], pattern: str) -> float | None:
    """Return what all accounts of one pattern came to, in their unit times hours.

    Args:
        totals: What each account came to, in its unit times s.
        pattern: For example `sun.<name>.power_w` (gives Wh) or `pack.current_a` (Ah).

    Returns:
        The sum, or None if none of these accounts was heard.
    """
    integrals = [
        total.integral
        for name, total in totals.items()
        if (found := find_channel(name)) and found.quantity.pattern == pattern
    ]
    # Rounded once, so that the order in which accounts were heard makes no difference.
    return math.fsum(integrals) / SECONDS_PER_HOUR if integrals else None
