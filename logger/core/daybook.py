"""The ledger by days: what each account came to on a day, and what is left over.

The days are the van's own; whoever feeds the book says which day it is. What has no
date is booked on no day. Sums over all days are those of the runs.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import date

from logger.core.ledger import Total
from logger.core.tick import SECONDS_PER_HOUR, US_PER_S
from logger.quantities import Unit, find_channel

NOT_ACCOUNTED = "not accounted for"
"""The account of what no other one tells: in less out less what the store took."""

CHARGING, DISCHARGING = "pack.charging_power_w", "pack.discharging_power_w"

_GIVES = {"sun.<name>.power_w", "charger.<name>.dc_power_w", DISCHARGING}
_TAKES = {"motor.dc_power_w", "dcdc.input_power_w", "house.power_w", CHARGING}

BOOKED_UNITS: Mapping[Unit, tuple[str, float]] = {
    Unit.WATT: ("Wh", SECONDS_PER_HOUR),
    Unit.AMPERE: ("Ah", SECONDS_PER_HOUR),
    Unit.METRE_PER_SECOND: ("m", 1.0),
}
"""The unit in which an account is told, and how many of its unit times s are one."""


@dataclass(frozen=True, slots=True)
class DayEntry:
    """What one account came to on one day.

    Attributes:
        day: The day; None for what has no date.
        account: Name of the channel, or `NOT_ACCOUNTED`.
        unit: Wh, Ah or m.
        amount: In that unit.
        covered_s: Time that was counted, s.
    """

    day: date | None
    account: str
    unit: str
    amount: float
    covered_s: float


@dataclass(slots=True)
class DayBook:
    """Books stretches of accounts on their days; is fed and answers."""

    _days: dict[date | None, dict[str, Total]] = field(default_factory=dict)

    def add(self, day: date | None, account: str, stretch: Total) -> None:
        """Book a stretch of one account on a day.

        Args:
            day: The day; None where it is not known.
            account: Name of its channel.
            stretch: What it came to.
        """
        accounts = self._days.setdefault(day, {})
        before = accounts.get(account, Total())
        accounts[account] = replace(
            before,
            integral=before.integral + stretch.integral,
            covered_us=before.covered_us + stretch.covered_us,
        )

    def take_before(self, day: date) -> list[DayEntry]:
        """Return all that is booked on earlier days, and forget it."""
        over = [each for each in self._days if each is not None and each < day]
        return self._take(over)

    def take_all(self) -> list[DayEntry]:
        """Return all that is left, what has no date last, and forget it."""
        return self._take(self._days)

    def _take(self, days: Iterable[date | None]) -> list[DayEntry]:
        order = sorted(days, key=lambda day: (day is None, day or date.min))
        return [entry for day in order for entry in _entries(day, self._days.pop(day))]


def _entries(day: date | None, accounts: Mapping[str, Total]) -> Iterable[DayEntry]:
    for account, total in sorted(accounts.items()):
        found = find_channel(account)
        assert found is not None, f"{account} is not in the list of quantities"
        unit, divisor = BOOKED_UNITS[found.quantity.unit]
        covered_s = total.covered_us / US_PER_S
        yield DayEntry(day, account, unit, total.integral / divisor, covered_s)
    rest = not_accounted(accounts)
    if rest is not None:
        amount_wh = rest.integral / SECONDS_PER_HOUR
        yield DayEntry(day, NOT_ACCOUNTED, "Wh", amount_wh, rest.covered_us / US_PER_S)


def not_accounted(accounts: Mapping[str, Total]) -> Total | None:
    """Return what came in and neither went out nor into the pack.

    The power balance of the DC bus, added up over time: sun + charger - motor - dcdc -
    house - pack. What nobody measured is in it, and so is what a part took or gave
    while it was not heard.

    Args:
        accounts: What each account came to, by channel name, in W times s.

    Returns:
        The rest, over the time that the pack was seen; None without the pack, or where
        nothing else was measured.
    """
    rest, others = 0.0, 0
    for name, total in accounts.items():
        found = find_channel(name)
        pattern = found.quantity.pattern if found else ""
        sign = (pattern in _GIVES) - (pattern in _TAKES)
        rest += sign * total.integral
        others += bool(sign) and pattern not in (CHARGING, DISCHARGING)
    charging, discharging = accounts.get(CHARGING), accounts.get(DISCHARGING)
    if charging is None or discharging is None or not others:
        return None
    return Total(rest, min(charging.covered_us, discharging.covered_us))
