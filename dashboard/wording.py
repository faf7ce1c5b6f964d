"""How numbers, times and units are written on every page: one place, no arithmetic.

A figure and its unit are joined by a no-break space, the minus is U+2212, thousands
get a comma. Clock times are those of the van's own zone. Pure: knows no reading, no
page and no clock.
"""

from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta, tzinfo
from zoneinfo import ZoneInfo

from logger.core.tick import US_PER_S
from logger.core.trips import METRES_PER_MILE, Trip
from logger.live import LiveVan
from logger.van.settings import VanSection

DASH = "—"
"""What stands where there is no reading."""

NBSP = "\N{NO-BREAK SPACE}"

MINUS = "\N{MINUS SIGN}"

WHOLE_FROM_KW = 10.0
"""From here on power is written in whole kilowatts, below in tenths."""

DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun",
          "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")  # fmt: skip
# Not from the computer's locale: a van's pages read the same on every computer.


@dataclass(frozen=True, slots=True)
class Shown:
    """A number as it is written.

    Attributes:
        text: Its digits.
        value: The same before rounding, in the unit that is shown.
        step: What its last digit counts, in that unit.
    """

    text: str
    value: float
    step: float


def number(value: float, decimals: int = 0) -> str:
    """Write a number: U+2212 for minus, a comma in thousands, never a minus zero.

    Args:
        value: The number.
        decimals: Digits after the point.
    """
    text = f"{abs(value):,.{decimals}f}"
    is_zero = not text.strip("0.,")
    return text if value >= 0 or is_zero else MINUS + text


def kilowatts(power_w: float) -> Shown:
    """Write power in kW: tenths below 10, whole from there.

    Args:
        power_w: Power, W.
    """
    kw = power_w / 1000.0
    if round(abs(kw), 1) < WHOLE_FROM_KW:
        return Shown(number(kw, 1), kw, 0.1)
    return Shown(number(kw), kw, 1.0)


def whole(value: float) -> Shown:
    """Write a number without decimals."""
    return Shown(number(value), value, 1.0)


def kilowatt_hours(energy_wh: float | None, decimals: int = 1) -> str:
    """Write energy in kWh; a dash where it was not measured.

    Args:
        energy_wh: Energy, Wh, or None.
        decimals: Digits after the point.
    """
    return DASH if energy_wh is None else number(energy_wh / 1000.0, decimals)


def percent(soc_pct: float | None) -> str:
    """Write a state of charge with its unit; a dash where it is not known."""
    return DASH if soc_pct is None else f"{number(soc_pct)}{NBSP}%"


WIDE_BAND_PCT = 10.0
"""From this many points either side on, a band is two figures and no middle one."""


def is_wide(low_pct: float, high_pct: float) -> bool:
    """Return whether a band is too wide to name a middle.

    Args:
        low_pct: Its low end, %.
        high_pct: Its high end, %.
    """
    return (high_pct - low_pct) / 2 >= WIDE_BAND_PCT


def band_text(soc_pct: float, low_pct: float | None, high_pct: float | None) -> str:
    """Write a charge with its band: `64 ± 4 %`, or `41 to 61 %` for a wide one.

    Args:
        soc_pct: State of charge, %.
        low_pct: Low end of its band, %, or None.
        high_pct: High end of its band, %, or None.
    """
    if low_pct is None or high_pct is None:
        return percent(soc_pct)
    if is_wide(low_pct, high_pct):
        return f"{number(low_pct)} to {number(high_pct)}{NBSP}%"
    return f"{number(soc_pct)}{NBSP}{either_side(low_pct, high_pct)}{NBSP}%"


def either_side(low_pct: float, high_pct: float) -> str:
    """Write how far a charge may be off, `± 4`; at least 1, for no count is exact.

    Args:
        low_pct: Low end of the band, %.
        high_pct: High end of the band, %.
    """
    return f"±{NBSP}{max(1, round((high_pct - low_pct) / 2))}"


def span_text(seconds: float) -> str:
    """Write a length of time: `7 s`, `7 min`, `1 h 05`, `3 d`."""
    if seconds < 120:
        return f"{int(seconds)}{NBSP}s"
    minutes = int(seconds // 60)
    if minutes < 60:
        return f"{minutes}{NBSP}min"
    if minutes < 48 * 60:
        return f"{minutes // 60}{NBSP}h{NBSP}{minutes % 60:02d}"
    return f"{minutes // 1440}{NBSP}d"


@dataclass(frozen=True, slots=True)
class Units:
    """What a reader of this van is used to.

    Attributes:
        zone: The time zone of the van.
        is_mile: True where distances are miles, else kilometres.
        van_name: What the van is called.
    """

    zone: tzinfo
    is_mile: bool
    van_name: str

    @classmethod
    def of(cls, van: LiveVan | VanSection) -> "Units":
        """Return the units of a van; an unknown zone is UTC."""
        try:
            zone: tzinfo = ZoneInfo(van.time_zone)
        except (KeyError, ValueError, OSError):
            zone = UTC
        return cls(zone, van.distance == "mile", van.name)

    @property
    def distance(self) -> str:
        """Symbol of the unit of distance."""
        return "mi" if self.is_mile else "km"

    @property
    def speed(self) -> str:
        """Symbol of the unit of speed."""
        return "mph" if self.is_mile else "km/h"

    @property
    def use(self) -> str:
        """Symbol of the unit of consumption."""
        return f"Wh/{self.distance}"

    @property
    def way_m(self) -> float:
        """Length of the unit of distance, m."""
        return METRES_PER_MILE if self.is_mile else 1000.0

    @property
    def zone_name(self) -> str:
        """What the zone is called, as it stands in the van file."""
        return getattr(self.zone, "key", "UTC")

    def distance_text(self, distance_m: float | None) -> str:
        """Write a distance without its unit; a dash where it was not measured."""
        return DASH if distance_m is None else number(distance_m / self.way_m, 1)

    def use_of(self, trip: Trip) -> float | None:
        """Return the consumption of a trip in the unit shown, or None."""
        return trip.wh_per_mi if self.is_mile else trip.wh_per_km

    def use_text(self, trip: Trip) -> str:
        """Write the consumption of a trip without its unit; a dash where unknown."""
        use = self.use_of(trip)
        return DASH if use is None else number(use)

    def local(self, date_us: int) -> datetime:
        """Return a date in the van's zone.

        Args:
            date_us: Microseconds since the Unix epoch, UTC.
        """
        whole_s, rest_us = divmod(date_us, US_PER_S)
        start = datetime(1970, 1, 1, tzinfo=UTC)
        utc = start + timedelta(seconds=whole_s, microseconds=rest_us)
        return utc.astimezone(self.zone)

    def clock(self, date_us: int) -> str:
        """Write the time of day of a date, `9:20`."""
        local = self.local(date_us)
        return f"{local.hour}:{local.minute:02d}"

    def clock_s(self, date_us: int) -> str:
        """Write the time of day of a date to the second, `9:20:07`."""
        return f"{self.clock(date_us)}:{self.local(date_us).second:02d}"

    def day(self, date_us: int) -> date:
        """Return the day that a date falls on in the van."""
        return self.local(date_us).date()


def day_text(day: date) -> str:
    """Write a day, `Tue 25 Nov`."""
    return f"{DAYS[day.weekday()]} {day.day} {MONTHS[day.month - 1]}"


def date_text(day: date) -> str:
    """Write a day with its year, `Tue 25 Nov 2026`."""
    return f"{day_text(day)} {day.year}"
