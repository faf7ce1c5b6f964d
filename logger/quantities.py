"""The one list of recorded quantities: name, unit, sign, plausible range, label, codes.

Knows what may be recorded, not what a particular van has. A channel is called
`<part>[.<which>].<quantity>_<unit>`; `which` is a number (modules, cells) or the name
that the van file gives (chargers, strings). Schema, pages and checks are made from
this list; a test holds each name's suffix to its unit.

Signs: pack (and 12 V battery) current and power are positive INTO the battery; every
other device is positive in the direction of its job: sun and charger deliver, motor,
DC-DC and house draw. Plausible ranges are wide fences around what a road vehicle of
this kind can show (common practice, no source): a value outside is a broken reading,
not a bad day.

Over 400 lines because it is one list, and a list in two files has two truths.
"""

import difflib
import re
from dataclasses import dataclass
from enum import Enum
from functools import lru_cache


class Unit(Enum):
    """A unit, with the suffix that a channel's name ends in and the printed symbol."""

    AMPERE = ("a", "A")
    VOLT = ("v", "V")
    WATT = ("w", "W")
    AMPERE_HOUR = ("ah", "Ah")
    WATT_HOUR = ("wh", "Wh")
    OHM = ("ohm", "Ω")
    PERCENT = ("pct", "%")
    RATIO = ("ratio", "ratio")
    COUNT = ("count", "count")
    SECOND = ("s", "s")
    HERTZ = ("hz", "Hz")
    REVOLUTION_PER_MINUTE = ("rpm", "rpm")
    DEGREE_CELSIUS = ("degc", "°C")
    DEGREE = ("deg", "°")
    METRE = ("m", "m")
    METRE_PER_SECOND = ("mps", "m/s")
    METRE_PER_SECOND_SQUARED = ("mps2", "m/s²")
    NEWTON_METRE = ("nm", "N·m")
    WATT_PER_SQUARE_METRE = ("w_m2", "W/m²")
    PASCAL = ("pa", "Pa")
    LITRE_PER_MINUTE = ("lpm", "L/min")
    CODE = ("", "code")

    @property
    def suffix(self) -> str:
        """The last part of the name of every channel in this unit; empty for codes."""
        return self.value[0]

    @property
    def symbol(self) -> str:
        """The symbol that stands in the list below and after a printed value."""
        return self.value[1]


class Which(Enum):
    """How one of several equal parts is told from the others."""

    ONLY = ""
    NUMBER = "<number>"
    NAME = "<name>"


@dataclass(frozen=True, slots=True)
class Code:
    """One value of a coded channel and its meaning in words."""

    number: int
    label: str


@dataclass(frozen=True, slots=True)
class Quantity:
    """One kind of recorded value, for all parts that have it.

    Attributes:
        part: What it belongs to: `pack`, `module`, `charger` …
        which: How one of several such parts is told from the others.
        name: Quantity and unit, the last part of the channel's name.
        unit: The unit that everything recorded here is in.
        sign: What a positive value means, empty where no other reading is possible.
        low: Lowest plausible value, in that unit.
        high: Highest plausible value, in that unit.
        label: What a person reads.
        codes: The values of a coded channel, otherwise empty.
    """

    part: str
    which: Which
    name: str
    unit: Unit
    sign: str
    low: float
    high: float
    label: str
    codes: tuple[Code, ...] = ()

    @property
    def pattern(self) -> str:
        """The channel's name with `<number>` or `<name>` where the van decides."""
        return ".".join(p for p in (self.part, self.which.value, self.name) if p)

    @property
    def is_coded(self) -> bool:
        """True where values are codes, which have no mean and no integral."""
        return self.unit is Unit.CODE


@dataclass(frozen=True, slots=True)
class Channel:
    """One recorded series of a van."""

    name: str
    quantity: Quantity

    @property
    def which(self) -> str:
        """The number or name of the part, empty where there is only one."""
        return self.name.split(".")[1] if self.name.count(".") == 2 else ""


def _codes(*labels: str, first: int = 0) -> tuple[Code, ...]:
    return tuple(Code(first + i, label) for i, label in enumerate(labels))


CODE_SETS: dict[str, tuple[Code, ...]] = {
    "no_yes": _codes("no", "yes"),
    "open_closed": _codes("open", "closed"),
    "off_on": _codes("off", "on"),
    "selector": _codes("park", "reverse", "neutral", "drive"),
    # What a charger says of itself, reduced to what every charger can say (ours).
    "charger_status": _codes(
        "not plugged in", "waiting", "charging", "complete", "stopped", "fault"
    ),
    # Operating states of CHARGER_STATUS, RV-C section 6.21 (public transcriptions).
    "charge_stage": _codes(
        "undefined",
        "do not charge",
        "bulk",
        "absorption",
        "overcharge",
        "equalise",
        "float",
        "constant voltage or current",
    ),
    # Vehicle states A to F of IEC 61851-1 annex A (also SAE J1772); numbers are ours.
    "pilot_state": _codes(
        "A: not connected",
        "B: connected",
        "C: charge",
        "D: charge with ventilation",
        "E: fault or off",
        "F: station unavailable",
        first=1,
    ),
    # Input states of SunSpec model 160.
    "sun_state": _codes(
        "off",
        "sleeping",
        "starting",
        "tracking",
        "throttled",
        "shutting down",
        "fault",
        "standby",
        "test",
        first=1,
    ),
    # Quality field of the GGA sentence, NMEA 0183, as far as it matters here.
    "gps_fix": _codes("none", "satellites", "differential"),
}

# name | unit | plausible range, or code set | label | what a positive value means
_LIST = """
pack.current_a                   | A    | -2000..2000   | Pack current | into the pack
pack.voltage_v                   | V    | 0..1500       | Pack voltage
pack.power_w                     | W    | -1e6..1e6     | Pack power | into the pack
pack.charging_power_w            | W    | 0..1e6        | Power into the pack
pack.discharging_power_w         | W    | 0..1e6        | Power out of the pack
pack.soc_pct                     | %    | 0..100        | State of charge
pack.soc_low_pct                 | %    | 0..100        | State of charge, low end
pack.soc_high_pct                | %    | 0..100        | State of charge, high end
pack.soc_counted_pct             | %    | -1000..1000   | State of charge, bare count
pack.capacity_ah                 | Ah   | 0..5000       | Usable capacity
pack.temperature_degc            | °C   | -60..120      | Pack temperature
pack.insulation_ohm              | Ω    | 0..1e9        | Insulation resistance
pack.charge_limit_a              | A    | 0..2000       | Current the pack may take
pack.discharge_limit_a           | A    | 0..2000       | Current the pack may give

module.<number>.voltage_v        | V    | 0..200        | Module voltage
module.<number>.temperature_degc | °C   | -60..150      | Module temperature

cell.<number>.voltage_v          | V    | 0..5          | Cell group voltage
cell.<number>.temperature_degc   | °C   | -60..150      | Cell temperature
cell.<number>.balancing          | code | no_yes        | Cell group is being balanced
cell.min_voltage_v               | V    | 0..5          | Lowest cell voltage
cell.max_voltage_v               | V    | 0..5          | Highest cell voltage
cell.min_voltage_cell_count      | count| 0..1000       | Number of lowest cell
cell.max_voltage_cell_count      | count| 0..1000       | Number of highest cell
cell.min_temperature_degc        | °C   | -60..150      | Lowest cell temperature
cell.max_temperature_degc        | °C   | -60..150      | Highest cell temperature

contactor.closed                 | code | open_closed   | Main contactor
contactor.negative_closed        | code | open_closed   | Contactor on the negative side
contactor.precharge_closed       | code | open_closed   | Precharge relay
contactor.commanded              | code | no_yes        | Main contactor is commanded
contactor.charge_closed          | code | open_closed   | Charge contactor

service_switch.closed            | code | open_closed   | Service switch

interlock.closed                 | code | open_closed   | High-voltage interlock

meter.voltage_v                  | V    | 0..1500       | Meter's own voltage
meter.current_a                  | A    | -2000..2000   | Meter current | into the pack
meter.power_w                    | W    | -1e6..1e6     | Meter power | into the pack
meter.soc_pct                    | %    | 0..100        | Meter's own state of charge
meter.charge_ah                  | Ah   | -1e6..1e6     | Ah counter | into the pack
meter.energy_wh                  | Wh   | -1e9..1e9     | Wh counter | into the pack
meter.temperature_degc           | °C   | -60..150      | Meter temperature
meter.time_left_s                | s    | 0..1e8        | Meter's own time left
meter.health_pct                 | %    | 0..125        | Meter's own state of health

charger.<name>.ac_voltage_v      | V    | 0..600        | Mains voltage
charger.<name>.ac_current_a      | A    | 0..200        | Mains current | draws
charger.<name>.ac_power_w        | W    | 0..100000     | Mains power | draws
charger.<name>.ac_frequency_hz   | Hz   | 0..100        | Mains frequency
charger.<name>.dc_voltage_v      | V    | 0..1500       | Charger voltage
charger.<name>.dc_current_a      | A    | -10..500      | Charger current | delivers
charger.<name>.dc_power_w        | W    | -10000..400000| Charger power | delivers
charger.<name>.voltage_limit_v   | V    | 0..1500       | Voltage the charger may reach
charger.<name>.current_limit_a   | A    | 0..500        | Current it may give
charger.<name>.temperature_degc  | °C   | -60..200      | Charger temperature
charger.<name>.fan_speed_rpm     | rpm  | 0..5e4        | Charger fan
charger.<name>.status            | code | charger_status| Charger status
charger.<name>.stage             | code | charge_stage  | Charge stage
charger.<name>.hardware_fault    | code | no_yes        | Charger: hardware fault
charger.<name>.temperature_fault | code | no_yes        | Charger: over-temperature
charger.<name>.input_fault       | code | no_yes        | Charger: wrong input voltage
charger.<name>.battery_fault     | code | no_yes        | Charger sees no sound battery
charger.<name>.communication_fault| code | no_yes        | Charger: commands lost

link.pilot_duty_pct              | %    | 0..100        | Control pilot duty
link.pilot_voltage_v             | V    | -15..15       | Control pilot voltage
link.proximity_voltage_v         | V    | 0..6          | Proximity voltage
link.proximity_ohm               | Ω    | 0..1e6        | Proximity resistance
link.offered_current_a           | A    | 0..200        | Amps on offer
link.inlet_temperature_degc      | °C   | -60..200      | Inlet temperature
link.pilot_state                 | code | pilot_state   | Control pilot state
link.plug_present                | code | no_yes        | A plug is in the inlet
link.plug_locked                 | code | no_yes        | The plug is locked

motor.speed_rpm                  | rpm  | -30000..30000 | Motor speed | forward
motor.torque_nm                  | N·m  | -3000..3000   | Motor torque | draws
motor.torque_demand_nm           | N·m  | -3000..3000   | Torque asked for | draws
motor.phase_current_a            | A    | -2000..2000   | Motor phase current
motor.dc_power_w                 | W    | -1e6..1e6     | Motor power | draws
motor.temperature_degc           | °C   | -60..300      | Motor temperature

controller.dc_voltage_v          | V    | 0..1500       | Controller voltage
controller.dc_current_a          | A    | -2000..2000   | Controller current | draws
controller.temperature_degc      | °C   | -60..250      | Controller temperature
controller.available_power_pct   | %    | 0..100        | Power not derated
controller.fault_count           | count| 0..1e9        | Controller fault number
controller.enabled               | code | no_yes        | Controller is enabled
controller.fault                 | code | no_yes        | Controller reports a fault

coolant.flow_lpm                 | L/min| 0..500        | Coolant flow
coolant.temperature_degc         | °C   | -60..150      | Coolant temperature
coolant.pressure_pa              | Pa   | 0..1e6        | Coolant pressure
coolant.pump_speed_rpm           | rpm  | 0..5e4        | Coolant pump
coolant.pump_on                  | code | off_on        | Coolant pump
coolant.fan_on                   | code | off_on        | Radiator fan
coolant.level_low                | code | no_yes        | Coolant level is low

brake.vacuum_pa                  | Pa   | 0..110000     | Brake vacuum | below ambient
brake.pressure_pa                | Pa   | 0..3e7        | Brake line pressure
brake.pump_on                    | code | off_on        | Brake vacuum pump
brake.pressed                    | code | no_yes        | Brake pedal is pressed

pedal.position_pct               | %    | 0..100        | Pedal position

key.on                           | code | off_on        | Key

drive.ready                      | code | no_yes        | Ready to drive
drive.selector                   | code | selector      | Drive selector

road.speed_mps                   | m/s  | 0..100        | Road speed
road.odometer_m                  | m    | 0..1e10       | Odometer
road.elevation_m                 | m    | -500..9000    | Elevation
road.acceleration_mps2           | m/s² | -50..50       | Acceleration | forward

dcdc.input_voltage_v             | V    | 0..1500       | DC-DC input voltage
dcdc.input_current_a             | A    | -10..200      | DC-DC input current | draws
dcdc.input_power_w               | W    | -1000..2e4    | DC-DC input power | draws
dcdc.output_voltage_v            | V    | 0..60         | DC-DC output voltage
dcdc.output_current_a            | A    | -50..600      | DC-DC current out | delivers
dcdc.output_power_w              | W    | -1000..2e4    | DC-DC output power | delivers
dcdc.temperature_degc            | °C   | -60..200      | DC-DC temperature
dcdc.on                          | code | off_on        | DC-DC converter
dcdc.fault                       | code | no_yes        | DC-DC reports a fault

aux.voltage_v                    | V    | 0..60         | 12 V battery voltage
aux.current_a                    | A    | -1000..1000   | 12 V current | into battery
aux.soc_pct                      | %    | 0..100        | 12 V state of charge
aux.temperature_degc             | °C   | -60..120      | 12 V temperature

house.power_w                    | W    | -1000..5e4    | House loads | draws
house.current_a                  | A    | -50..500      | House current | draws

load.<name>.power_w              | W    | -1000..5e4    | House load power | draws
load.<name>.current_a            | A    | -50..1000     | House load current | draws
load.<name>.on                   | code | off_on        | House load

inverter.ac_voltage_v            | V    | 0..600        | Inverter voltage
inverter.ac_power_w              | W    | -1000..5e4    | Inverter power | delivers
inverter.dc_power_w              | W    | -1000..5e4    | Inverter input power | draws
inverter.temperature_degc        | °C   | -60..200      | Inverter temperature
inverter.on                      | code | off_on        | Inverter

sun.<name>.voltage_v             | V    | 0..1000       | String voltage
sun.<name>.current_a             | A    | -1..100       | String current | delivers
sun.<name>.power_w               | W    | -100..2e4     | String power | delivers
sun.<name>.output_voltage_v      | V    | 0..1500       | Solar charger voltage
sun.<name>.output_current_a      | A    | -1..500       | Charge current | delivers
sun.<name>.temperature_degc      | °C   | -60..150      | Solar charger heat
sun.<name>.panel_temperature_degc| °C   | -60..150      | Panel heat
sun.<name>.yield_wh              | Wh   | 0..1e9        | Day counter | delivers
sun.<name>.stage                 | code | charge_stage  | Charge stage of the string
sun.<name>.state                 | code | sun_state     | State of the string

awning.<name>.extended           | code | no_yes        | Awning is slid out
awning.<name>.tilt_deg           | °    | -90..90       | Awning tilt | outer edge down

ambient.temperature_degc         | °C   | -60..70       | Outside temperature
ambient.pressure_pa              | Pa   | 30000..12e4   | Air pressure
ambient.humidity_pct             | %    | 0..100        | Humidity
ambient.irradiance_w_m2          | W/m² | -20..1800     | Irradiance

cabin.temperature_degc           | °C   | -60..100      | Cabin temperature

gps.latitude_deg                 | °    | -90..90       | Latitude | north
gps.longitude_deg                | °    | -180..180     | Longitude | east
gps.altitude_m                   | m    | -500..2e4     | Altitude
gps.speed_mps                    | m/s  | 0..150        | Speed over ground
gps.track_deg                    | °    | 0..360        | Track | clockwise from north
gps.satellites_count             | count| 0..100        | Satellites used
gps.dilution_ratio               | ratio| 0..100        | Horizontal dilution
gps.time_s                       | s    | 0..1e11       | Satellite time | Unix epoch
gps.fix                          | code | gps_fix       | Position fix

computer.temperature_degc        | °C   | -60..150      | Computer heat
computer.load_pct                | %    | 0..100        | Processor load
computer.memory_used_pct         | %    | 0..100        | Memory in use
computer.disk_free_pct           | %    | 0..100        | Card still free
computer.supply_voltage_v        | V    | 0..60         | Computer supply

bus.<name>.rate_hz               | Hz   | 0..2e4        | Frames a second
bus.<name>.error_count           | count| 0..1e12       | Error frames
"""

_UNIT_OF_SYMBOL = {unit.symbol: unit for unit in Unit}


def _quantity(line: str) -> Quantity:
    pattern, symbol, span, label, sign = (
        cell.strip() for cell in (line + " |" * (4 - line.count("|"))).split("|")
    )
    part, *middle, name = pattern.split(".")
    which = Which(middle[0]) if middle else Which.ONLY
    codes = CODE_SETS.get(span, ())
    if codes:
        low, high = float(codes[0].number), float(codes[-1].number)
    else:
        low, high = (float(end) for end in span.split(".."))
    return Quantity(
        part, which, name, _UNIT_OF_SYMBOL[symbol], sign, low, high, label, codes
    )


QUANTITIES: tuple[Quantity, ...] = tuple(
    _quantity(line) for line in _LIST.splitlines() if line
)

WHICH_RULE = {
    Which.NUMBER: re.compile(r"[1-9][0-9]{0,3}"),
    Which.NAME: re.compile(r"[a-z][a-z0-9_]{0,31}"),
}
"""What a number or a name inside a channel's name may look like."""

_BY_PATTERN = {quantity.pattern: quantity for quantity in QUANTITIES}


@lru_cache(maxsize=4096)
def find_channel(name: str) -> Channel | None:
    """Return the channel of that name, or None where no quantity has it.

    Args:
        name: For example `pack.current_a`, `module.3.voltage_v`, `sun.roof.power_w`.
    """
    parts = name.split(".")
    if len(parts) == 2:
        quantity = _BY_PATTERN.get(name)
        return Channel(name, quantity) if quantity else None
    if len(parts) != 3:
        return None
    for which, rule in WHICH_RULE.items():
        quantity = _BY_PATTERN.get(f"{parts[0]}.{which.value}.{parts[2]}")
        if quantity and rule.fullmatch(parts[1]):
            return Channel(name, quantity)
    return None


def nearest_pattern(name: str) -> str | None:
    """Return the pattern most like a name that no quantity has, or None."""
    close = difflib.get_close_matches(name, _BY_PATTERN, n=1, cutoff=0.5)
    return close[0] if close else None
