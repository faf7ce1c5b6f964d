"""What the boxes of the invented van write on its two serial ports, once a second.

Pure. One port carries the solar controllers, field by field; the other the battery
meter, as `key=value` pairs. Each line ends in `*` and two hexadecimal digits: all its
bytes before the `*`, exclusive-or.
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial, reduce
from operator import xor

from replay.van_model.boxes import CAPACITY_AH, NAMEPLATE_AH, STRINGS, State

PERIOD_US = 1_000_000
LINE_END = b"\r\n"


@dataclass(frozen=True, slots=True)
class SpokenLine:
    """One kind of line as its box writes it.

    Attributes:
        source: Name of the port in the van file.
        period_us: How often it is written, microseconds.
        body: What stands before the checksum.
    """

    source: str
    period_us: int
    body: Callable[[State], str]

    def text(self, state: State) -> bytes:
        """Return the whole line for a state of the van, without its end."""
        return sealed(self.body(state))


def sealed(body: str) -> bytes:
    """Return a line with its checksum, without a line end."""
    data = body.encode("ascii")
    return b"%s*%02X" % (data, reduce(xor, data, 0))


def _string_body(state: State, place: int) -> str:
    name, rated_w, _ = STRINGS[place]
    power_w = state.powers.sun_w[place]
    volts = string_voltage_v(power_w / rated_w)
    amps = power_w / volts if volts else 0.0
    return f"string,{name},{volts:.1f},{amps:.2f},{power_w:.0f}"


def string_voltage_v(share: float) -> float:
    """Return the voltage at which a string works, V; it hardly changes with the sun.

    Args:
        share: Its power as a share of what it is rated at.
    """
    return 60.0 + 6.0 * share / (share + 0.1) if share > 0.0 else 0.0


def _meter_body(state: State) -> str:
    pack = state.pack
    return (
        f"volts={pack.voltage_v:.2f},amps={pack.current_a:.2f}"
        f",charge={meter_soc_pct(state):.1f},ah={pack.passed_ah:.3f}"
        f",degc={state.heat.pack_degc:.1f}"
    )


def meter_soc_pct(state: State) -> float:
    """Return the meter's own state of charge, %.

    It began right, but counts with the capacity on the label, so that it drifts.
    """
    pack = state.pack
    began_pct = 100.0 * (pack.charge_ah - pack.passed_ah) / CAPACITY_AH
    return min(100.0, max(0.0, began_pct + 100.0 * pack.passed_ah / NAMEPLATE_AH))


LINES = (
    *(
        SpokenLine("roof", PERIOD_US, partial(_string_body, place=place))
        for place in range(len(STRINGS))
    ),
    SpokenLine("meter", PERIOD_US, _meter_body),
)
"""Every line of the van."""
