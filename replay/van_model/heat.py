"""How warm the parts of the invented van get: one lump each, cooled by the air.

Pure. All figures are invented.
"""

from dataclasses import dataclass

AIR_DEGC = 22.0

PACK_J_PER_K = 190_000.0
MOTOR_J_PER_K = 18_000.0
CONTROLLER_J_PER_K = 7_000.0
CHARGER_J_PER_K = 6_000.0
DCDC_J_PER_K = 1_800.0

PACK_W_PER_K = 25.0
MOTOR_W_PER_K = 16.0
CONTROLLER_W_PER_K = 11.0
CHARGER_W_PER_K = 14.0
DCDC_W_PER_K = 1.6

CONTROLLER_SHARE_FRAC = 0.3
"""How much of the drive's losses arises in the controller, the rest in the motor."""

CHARGER_LOSS_FRAC = 0.07
DCDC_LOSS_FRAC = 0.08
"""How much of what passes through becomes heat."""


@dataclass(frozen=True, slots=True)
class Heat:
    """Temperatures, °C."""

    pack_degc: float
    motor_degc: float
    controller_degc: float
    charger_degc: float
    dcdc_degc: float


@dataclass(frozen=True, slots=True)
class Losses:
    """What warms the parts, W.

    Attributes:
        pack_w: Heat in the pack's resistance.
        motor_w: Losses of motor and controller together.
        charger_w: What the charger passes on.
        dcdc_w: What the DC-DC converter takes in.
    """

    pack_w: float
    motor_w: float
    charger_w: float
    dcdc_w: float


COLD = Heat(AIR_DEGC, AIR_DEGC, AIR_DEGC, AIR_DEGC, AIR_DEGC)


def warm(heat: Heat, losses: Losses, dt_s: float) -> Heat:
    """Return the temperatures one step on.

    Args:
        heat: The temperatures.
        losses: What warms them.
        dt_s: Length of the step, 0 to 1 s.
    """
    controller_w = losses.motor_w * CONTROLLER_SHARE_FRAC
    motor_w = losses.motor_w - controller_w
    charger_w = losses.charger_w * CHARGER_LOSS_FRAC
    dcdc_w = losses.dcdc_w * DCDC_LOSS_FRAC
    return Heat(
        _lump(heat.pack_degc, losses.pack_w, PACK_W_PER_K, dt_s / PACK_J_PER_K),
        _lump(heat.motor_degc, motor_w, MOTOR_W_PER_K, dt_s / MOTOR_J_PER_K),
        _lump(
            heat.controller_degc,
            controller_w,
            CONTROLLER_W_PER_K,
            dt_s / CONTROLLER_J_PER_K,
        ),
        _lump(heat.charger_degc, charger_w, CHARGER_W_PER_K, dt_s / CHARGER_J_PER_K),
        _lump(heat.dcdc_degc, dcdc_w, DCDC_W_PER_K, dt_s / DCDC_J_PER_K),
    )


def _lump(degc: float, heat_w: float, cooling_w_per_k: float, k_per_w: float) -> float:
    return degc + (heat_w - cooling_w_per_k * (degc - AIR_DEGC)) * k_per_w
