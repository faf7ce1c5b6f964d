"""What the boxes of the invented van say on its two CAN buses, and how often.

Pure: turns a state of the model into payloads. The layouts stand in the DBC files
beside this module, and cantools encodes by them; nothing is laid out here.
"""

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from cantools.database.can import Message

from logger.decode.descriptions import Form, read_description
from replay.van_model.boxes import CABLE_OHM, SERIES_GROUPS, Charger, State
from replay.van_model.roads import MPS_PER_KMH

Signals = Mapping[str, float]
"""Values of one message by signal name, in the units of its description."""

CONTACTOR_CLOSED = 2
"""The pack's box says 1 for open and 2 for closed. The house lives on the pack, so that
the contactor of this van stays closed with the key off too."""

MAINS_V = 240.0
CHARGER_EFFICIENCY_FRAC = 0.93

WEAK_GROUP = 17
WEAK_OHM = 0.0003
"""One salvaged cell group is worse than the others: it sags first."""

SPREAD_V = 0.006
SPREAD_OHM = 0.00012
"""How far the other groups differ, either way."""


@dataclass(frozen=True, slots=True)
class Saying:
    """One message as its box says it.

    Attributes:
        bus: Name of the bus in the van file.
        message: Name of the message in its description.
        period_us: How often it is said, microseconds.
        signals: What it says of a state.
    """

    bus: str
    message: str
    period_us: int
    signals: Callable[[State], Signals]


@dataclass(frozen=True, slots=True)
class SpokenFrame:
    """One message made ready to be sent.

    Attributes:
        saying: What it says and how often.
        message: Its layout.
    """

    saying: Saying
    message: Message

    @property
    def source(self) -> str:
        """The bus it is sent on."""
        return self.saying.bus

    @property
    def period_us(self) -> int:
        """How often it is sent, microseconds."""
        return self.saying.period_us

    def payload(self, state: State) -> bytes:
        """Return what the message carries for a state of the van."""
        # No check of ranges: the model is held to them by a test, not frame by frame.
        return self.message.encode(dict(self.saying.signals(state)), strict=False)


def compile_frames(descriptions: Mapping[str, str]) -> tuple[SpokenFrame, ...]:
    """Return every message of the van, ready to be sent.

    Args:
        descriptions: The text of each bus's DBC, by the name of the bus.
    """
    layouts = {
        (bus, described.name): described.message
        for bus, text in descriptions.items()
        for described in read_description(text, Form.DBC)
    }
    return tuple(SpokenFrame(each, layouts[each.bus, each.message]) for each in SAYINGS)


def _pack_main(state: State) -> Signals:
    pack = state.pack
    return {
        "Voltage": pack.voltage_v,
        "Current": -pack.current_a,  # this box counts positive out of the pack
        "Charge": pack.soc_pct,
        "Temperature": state.heat.pack_degc,
    }


def _pack_cells(state: State) -> Signals:
    volts = group_voltages_v(state)
    lowest_v, highest_v = min(volts), max(volts)
    return {
        "LowestVoltage": lowest_v,
        "HighestVoltage": highest_v,
        "LowestGroup": volts.index(lowest_v) + 1,
        "HighestGroup": volts.index(highest_v) + 1,
        "Coolest": state.heat.pack_degc - 1.2,
        "Warmest": state.heat.pack_degc + 1.6,
    }


def group_voltages_v(state: State) -> list[float]:
    """Return the voltage of every cell group, V, from the first to the last."""
    mean_v, current_a = state.pack.voltage_v / SERIES_GROUPS, state.pack.current_a
    return [
        mean_v
        + SPREAD_V * math.sin(2.4 * number)
        + SPREAD_OHM * math.sin(1.7 * number) * current_a
        + (WEAK_OHM * current_a if number == WEAK_GROUP else 0.0)
        for number in range(1, SERIES_GROUPS + 1)
    ]


def _pack_state(state: State) -> Signals:
    return {"Contactor": CONTACTOR_CLOSED}


def _motor_main(state: State) -> Signals:
    motion, pack_v = state.motion, state.pack.voltage_v
    current_a = motion.motor_power_w / pack_v
    return {
        "Speed": motion.motor_speed_rpm,
        "Torque": motion.motor_torque_nm,
        "DcVoltage": pack_v - CABLE_OHM * current_a,  # at the far end of the cables
        "DcCurrent": current_a,
    }


def _motor_heat(state: State) -> Signals:
    heat = state.heat
    return {
        "MotorTemperature": heat.motor_degc,
        "ControllerTemperature": heat.controller_degc,
    }


def _road(state: State) -> Signals:
    return {
        "Speed": state.motion.speed_mps / MPS_PER_KMH,
        "Key": state.drives.is_key_on,
        "Ready": state.drives.is_ready,
    }


def _charger(state: State) -> Signals:
    power_w = state.charger.power_w
    is_plugged_in = state.drives.is_plugged_in
    return {
        "DcVoltage": state.pack.voltage_v,
        "DcCurrent": power_w / state.pack.voltage_v,
        "MainsVoltage": MAINS_V if is_plugged_in else 0.0,
        "MainsCurrent": power_w / CHARGER_EFFICIENCY_FRAC / MAINS_V,
        "Temperature": state.heat.charger_degc,
        "Status": charger_status(is_plugged_in, state.charger),
        "Plugged": is_plugged_in,
    }


def charger_status(is_plugged_in: bool, charger: Charger) -> int:
    """Return what the charger says of itself: 0 to 3, as its description lists them."""
    if not is_plugged_in:
        return 0
    if charger.is_done:
        return 3
    return 2 if charger.power_w > 0.0 else 1


def _dcdc(state: State) -> Signals:
    aux = state.aux
    return {
        "InputVoltage": state.pack.voltage_v,
        "InputCurrent": state.powers.dcdc_w / state.pack.voltage_v,
        "OutputVoltage": aux.voltage_v,
        "OutputCurrent": aux.output_a,
        "On": aux.is_dcdc_on,
        "Temperature": state.heat.dcdc_degc,
    }


def _twelve_volt(state: State) -> Signals:
    return {"Voltage": state.aux.voltage_v, "Current": state.aux.current_a}


def _house(state: State) -> Signals:
    return {"Power": state.powers.house_w}


SAYINGS = (
    Saying("drive", "PackMain", 100_000, _pack_main),
    Saying("drive", "PackCells", 1_000_000, _pack_cells),
    Saying("drive", "PackState", 1_000_000, _pack_state),
    Saying("drive", "MotorMain", 50_000, _motor_main),
    Saying("drive", "MotorHeat", 1_000_000, _motor_heat),
    Saying("drive", "Road", 100_000, _road),
    Saying("house", "Charger", 500_000, _charger),
    Saying("house", "DcDc", 1_000_000, _dcdc),
    Saying("house", "TwelveVolt", 1_000_000, _twelve_volt),
    Saying("house", "House", 1_000_000, _house),
)
"""Every message of the van."""
