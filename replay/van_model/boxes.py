"""The electric side of the invented van: what all its boxes are at one moment.

Pure: `step` moves a frozen state on by a fixed step. The account always closes:
`pack = sun + charger - motor - dcdc - house`, the pack's power being positive into the
pack. All figures are invented.
"""

import math
from dataclasses import dataclass

from logger.core.chemistry import CURVES, cell_voltage_v
from logger.core.tick import SECONDS_PER_HOUR, US_PER_S
from replay.van_model.day import Drives, moment
from replay.van_model.heat import COLD, Heat, Losses, warm
from replay.van_model.motion import AT_REST, Motion, move

STEP_US = 50_000
"""One step of the model, microseconds: as often as the fastest box speaks."""

SERIES_GROUPS = 42
NAMEPLATE_AH = 230.0
CAPACITY_AH = 212.0
"""What the salvaged pack really holds; its label says more."""

START_SOC_PCT = 64.0
PACK_OHM = 0.045
CURVE = CURVES["nmc532"]

CABLE_OHM = 0.004
"""From the pack to the motor controller and back."""

CHARGER_W = 6100.0
CHARGER_RAMP_W_PER_S = 1200.0
CHARGER_FULL_PCT = 82.0
CHARGER_TAPER_POINTS = 3.0
CHARGER_DONE_W = 300.0
"""The owner charges to 82 %; the charger gives less over the last three points and
ends below 300 W."""

DCDC_EFFICIENCY_FRAC = 0.92
DCDC_IDLE_W = 8.0
DCDC_V = 13.9
AUX_FULL_AH = 95.0
AUX_MAX_A = 20.0
AUX_A_PER_MISSING_AH = 6.0
AUX_OHM = 0.01

SUN_YIELD_FRAC = 0.86
"""Warm panels and cables take the rest."""

STRINGS = (
    ("roof_left", 900.0, False),
    ("roof_right", 900.0, False),
    ("awning_left", 620.0, True),
    ("awning_right", 620.0, True),
)
"""Each string's name, rated power, W, and whether it slides out with an awning."""


@dataclass(frozen=True, slots=True)
class Powers:
    """What each part gives or draws at the pack's terminals, W.

    Attributes:
        sun_w: What each string gives, in the order of `STRINGS`.
        charger_w: What the charger gives.
        motor_w: What the motor draws, cables included; negative in regen.
        dcdc_w: What the DC-DC converter draws.
        house_w: What the house draws.
    """

    sun_w: tuple[float, ...]
    charger_w: float
    motor_w: float
    dcdc_w: float
    house_w: float

    @property
    def pack_w(self) -> float:
        """What is left for the pack, positive into it."""
        given_w = sum(self.sun_w) + self.charger_w
        return given_w - self.motor_w - self.dcdc_w - self.house_w


@dataclass(frozen=True, slots=True)
class Pack:
    """The traction pack.

    Attributes:
        charge_ah: What it holds, Ah.
        passed_ah: Integral of the current since the model began, into the pack, Ah.
        current_a: Positive into the pack, A.
        voltage_v: At its terminals, V.
    """

    charge_ah: float
    passed_ah: float
    current_a: float
    voltage_v: float

    @property
    def soc_pct(self) -> float:
        """The true state of charge, %."""
        return 100.0 * self.charge_ah / CAPACITY_AH


@dataclass(frozen=True, slots=True)
class Charger:
    """The charger: what it gives, W, and whether it has ended by itself."""

    power_w: float
    is_done: bool


@dataclass(frozen=True, slots=True)
class Aux:
    """The 12 V side.

    Attributes:
        charge_ah: What the 12 V battery holds, Ah.
        current_a: Into the 12 V battery, A.
        voltage_v: Of the 12 V side, V.
        output_a: What the DC-DC converter gives, A.
        is_dcdc_on: Whether it runs.
    """

    charge_ah: float
    current_a: float
    voltage_v: float
    output_a: float
    is_dcdc_on: bool


@dataclass(frozen=True, slots=True)
class State:
    """The whole van at one moment.

    Attributes:
        t_us: The van's own time, microseconds since the first round began.
        drives: What drives it from outside.
        motion: How it moves.
        powers: What each part gives or draws.
        pack: The traction pack.
        charger: The charger.
        aux: The 12 V side.
        heat: How warm its parts are.
    """

    t_us: int
    drives: Drives
    motion: Motion
    powers: Powers
    pack: Pack
    charger: Charger
    aux: Aux
    heat: Heat


def start_state(
    soc_pct: float = START_SOC_PCT, t_s: float = 0.0, passed_ah: float = 0.0
) -> State:
    """Return the van after a night's rest.

    Args:
        soc_pct: True state of charge, 0 to 100 %.
        t_s: Where in its rounds it is, at least 0, s.
        passed_ah: What went into the pack since the meter began to count, Ah.
    """
    drives = moment(t_s)
    charge_ah = CAPACITY_AH * soc_pct / 100.0
    rested = State(
        t_us=round(t_s * US_PER_S),
        drives=drives,
        motion=AT_REST,
        powers=Powers((0.0,) * len(STRINGS), 0.0, 0.0, 0.0, 0.0),
        pack=Pack(charge_ah, passed_ah, 0.0, _open_v(soc_pct)),
        charger=Charger(0.0, False),
        aux=Aux(AUX_FULL_AH - 2.0, 0.0, 12.7, 0.0, False),
        heat=COLD,
    )
    return step(rested, 0.0)


def next_morning(state: State) -> State:
    """Return the same van, cooled down and at the start of its rounds.

    Its pack holds what it held: a night costs this van nothing.
    """
    return start_state(state.pack.soc_pct, passed_ah=state.pack.passed_ah)


def step(state: State, dt_s: float) -> State:
    """Return the van one step on.

    Args:
        state: The van.
        dt_s: Length of the step, 0 to 1 s.
    """
    t_us = state.t_us + round(dt_s * US_PER_S)
    drives = moment(t_us / US_PER_S)
    motion = move(state.motion, drives, dt_s)
    charger = _charge(state.charger, drives, state.pack.soc_pct, dt_s)
    aux = _supply(state.aux, drives, dt_s)
    powers = Powers(
        sun_w=_sun_w(drives),
        charger_w=charger.power_w,
        motor_w=motion.motor_power_w,
        dcdc_w=_dcdc_w(aux),
        house_w=drives.house_w,
    )
    pack = _load(state.pack, powers.pack_w, dt_s)
    losses = Losses(
        pack_w=PACK_OHM * pack.current_a * pack.current_a,
        motor_w=motion.motor_loss_w,
        charger_w=charger.power_w,
        dcdc_w=powers.dcdc_w,
    )
    heat = warm(state.heat, losses, dt_s)
    return State(t_us, drives, motion, powers, pack, charger, aux, heat)


def _open_v(soc_pct: float) -> float:
    return SERIES_GROUPS * cell_voltage_v(CURVE, soc_pct)


def _load(pack: Pack, power_w: float, dt_s: float) -> Pack:
    """Return the pack after a step under a load, W into the pack.

    From `power = current * (open + ohm * current)`; the other root lies beyond a short
    circuit.
    """
    open_v = _open_v(pack.soc_pct)
    root_v = math.sqrt(open_v * open_v + 4.0 * PACK_OHM * power_w)
    current_a = (root_v - open_v) / (2.0 * PACK_OHM)
    gain_ah = current_a * dt_s / SECONDS_PER_HOUR
    return Pack(
        charge_ah=pack.charge_ah + gain_ah,
        passed_ah=pack.passed_ah + gain_ah,
        current_a=current_a,
        voltage_v=open_v + PACK_OHM * current_a,
    )


def _sun_w(drives: Drives) -> tuple[float, ...]:
    sides = {"left": drives.left_sun_frac, "right": drives.right_sun_frac}
    return tuple(
        rated_w
        * SUN_YIELD_FRAC
        * sides[name.rpartition("_")[2]]
        * (drives.awning_out_frac if is_awning else 1.0)
        for name, rated_w, is_awning in STRINGS
    )


def _charge(charger: Charger, drives: Drives, soc_pct: float, dt_s: float) -> Charger:
    if not drives.is_plugged_in:
        return Charger(0.0, False)
    left = (CHARGER_FULL_PCT - soc_pct) / CHARGER_TAPER_POINTS
    offered_w = CHARGER_W * min(1.0, max(0.0, left))
    if charger.is_done or offered_w < CHARGER_DONE_W:
        return Charger(0.0, True)
    ramped_w = charger.power_w + CHARGER_RAMP_W_PER_S * dt_s
    return Charger(min(offered_w, ramped_w), False)


def _supply(aux: Aux, drives: Drives, dt_s: float) -> Aux:
    """Return the 12 V side: with the key off its battery carries it alone."""
    is_on = drives.is_key_on or drives.is_plugged_in
    if is_on:
        wanted_a = AUX_A_PER_MISSING_AH * (AUX_FULL_AH - aux.charge_ah)
        current_a, voltage_v = min(AUX_MAX_A, max(0.0, wanted_a)), DCDC_V
        output_a = current_a + drives.twelve_volt_w / DCDC_V
    else:
        rest_v = 11.8 + aux.charge_ah / AUX_FULL_AH
        current_a, output_a = -drives.twelve_volt_w / rest_v, 0.0
        voltage_v = rest_v + AUX_OHM * current_a
    charge_ah = aux.charge_ah + current_a * dt_s / SECONDS_PER_HOUR
    return Aux(charge_ah, current_a, voltage_v, output_a, is_on)


def _dcdc_w(aux: Aux) -> float:
    if not aux.is_dcdc_on:
        return 0.0
    return DCDC_IDLE_W + aux.output_a * aux.voltage_v / DCDC_EFFICIENCY_FRAC
