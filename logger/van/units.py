"""The units that a box may speak in, and what makes them the channels' own.

Knows factors and the feed that names a unit. Every unit of the list of channels is its
own, by its symbol.
"""

from logger.quantities import Channel, Unit
from logger.van.faults import nearest
from logger.van.settings import FeedSection

ZERO_DEGF_DEGC = -32 * 5 / 9
"""0 °F in °C."""

UNITS: dict[str, tuple[Unit, float, float]] = {
    "mA": (Unit.AMPERE, 0.001, 0.0),
    "mV": (Unit.VOLT, 0.001, 0.0),
    "kW": (Unit.WATT, 1000.0, 0.0),
    "mAh": (Unit.AMPERE_HOUR, 0.001, 0.0),
    "As": (Unit.AMPERE_HOUR, 1 / 3600, 0.0),
    "kWh": (Unit.WATT_HOUR, 1000.0, 0.0),
    "kJ": (Unit.WATT_HOUR, 1 / 3.6, 0.0),
    "kohm": (Unit.OHM, 1e3, 0.0),
    "Mohm": (Unit.OHM, 1e6, 0.0),
    "ms": (Unit.SECOND, 0.001, 0.0),
    "min": (Unit.SECOND, 60.0, 0.0),
    "h": (Unit.SECOND, 3600.0, 0.0),
    "rps": (Unit.REVOLUTION_PER_MINUTE, 60.0, 0.0),
    "degC": (Unit.DEGREE_CELSIUS, 1.0, 0.0),
    "degF": (Unit.DEGREE_CELSIUS, 5 / 9, ZERO_DEGF_DEGC),
    "K": (Unit.DEGREE_CELSIUS, 1.0, -273.15),
    "km": (Unit.METRE, 1000.0, 0.0),
    "mi": (Unit.METRE, 1609.344, 0.0),
    "ft": (Unit.METRE, 0.3048, 0.0),
    "km/h": (Unit.METRE_PER_SECOND, 1 / 3.6, 0.0),
    "mph": (Unit.METRE_PER_SECOND, 0.44704, 0.0),
    "kn": (Unit.METRE_PER_SECOND, 1852 / 3600, 0.0),
    "hPa": (Unit.PASCAL, 100.0, 0.0),
    "kPa": (Unit.PASCAL, 1000.0, 0.0),
    "bar": (Unit.PASCAL, 1e5, 0.0),
    "psi": (Unit.PASCAL, 6894.757, 0.0),
    "L/h": (Unit.LITRE_PER_MINUTE, 1 / 60, 0.0),
}
"""Factor to a unit of ours, and what is added after it. Miles, feet, knots and pounds a
square inch as in NIST SP 811 (from memory); the rest is SI."""

UNITS |= {each.symbol: (each, 1.0, 0.0) for each in Unit if each.suffix}


def unit_misfit(channel: Channel, unit: str | None) -> str:
    """Return what to do about a unit that does not fit a channel; empty if it does."""
    own = channel.quantity.unit
    fitting = [name for name, (ours, *_) in UNITS.items() if ours is own]
    if unit is None or unit in fitting:
        return ""
    return f"{channel.name} is in {own.symbol}. {nearest(unit, fitting)}"


def gain(feed: FeedSection) -> tuple[float, float]:
    """Return factor and offset from a box's value to the channel's unit and sign.

    Args:
        feed: A feed whose unit, if it names one, is known.
    """
    _, factor, added = UNITS[feed.unit] if feed.unit else (None, 1.0, 0.0)
    sign = -1.0 if feed.flip else 1.0
    return sign * feed.scale * factor, sign * (feed.offset * factor + added)
