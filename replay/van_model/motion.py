"""How the invented van moves, and what its motor takes or gives for it.

Pure. Rolling, air, climbing and gathering speed, as in any textbook of vehicle
dynamics; the figures are invented.
"""

import math
from dataclasses import dataclass

from replay.van_model.day import Drives

MASS_KG = 3300.0
ROLLING_FRAC = 0.011
DRAG_AREA_M2 = 1.9
"""Drag coefficient times frontal area."""

AIR_KG_M3 = 1.2
GRAVITY_MPS2 = 9.81

WHEEL_CIRCUMFERENCE_M = 2.16
MOTOR_TURNS_PER_WHEEL_TURN = 9.5
METRES_PER_MOTOR_TURN = WHEEL_CIRCUMFERENCE_M / MOTOR_TURNS_PER_WHEEL_TURN

MAX_FORCE_N = 6500.0
MAX_POWER_W = 62_000.0
MAX_REGEN_FORCE_N = 3600.0
MAX_REGEN_POWER_W = 24_000.0
REGEN_FULL_MPS = 4.0
"""Below this speed braking goes over to the friction brake, bit by bit."""

FOOT_S = 0.8
"""How fast the driver mends a wrong speed."""

IDLE_W = 160.0
"""What controller and pumps draw as soon as the van is ready."""

COPPER_W_PER_NM2 = 0.085
SPIN_W_PER_RPM = 0.15
"""Losses that grow with the torque squared, and with the turns."""


@dataclass(frozen=True, slots=True)
class Motion:
    """The van on its road, and its motor.

    Attributes:
        speed_mps: Road speed, m/s.
        way_m: Way since the model began, m.
        motor_force_n: What the motor gives at the wheel, N; negative in regen.
        brake_force_n: What the friction brake takes, N, at most 0.
        motor_power_w: What the motor controller draws, W; negative in regen.
        motor_loss_w: How much of it becomes heat, W.
    """

    speed_mps: float
    way_m: float
    motor_force_n: float
    brake_force_n: float
    motor_power_w: float
    motor_loss_w: float

    @property
    def motor_speed_rpm(self) -> float:
        """Turns of the motor shaft, 1/min."""
        return self.speed_mps / METRES_PER_MOTOR_TURN * 60.0

    @property
    def motor_torque_nm(self) -> float:
        """Torque at the motor shaft, N·m; negative in regen."""
        return self.motor_force_n * METRES_PER_MOTOR_TURN / (2.0 * math.pi)


AT_REST = Motion(0.0, 0.0, 0.0, 0.0, 0.0, 0.0)


def move(motion: Motion, drives: Drives, dt_s: float) -> Motion:
    """Return the motion one step on.

    Args:
        motion: How the van moves.
        drives: What driver and road want.
        dt_s: Length of the step, at least 0, s.
    """
    if drives.target_speed_mps == 0.0 and motion.speed_mps < 0.05:
        return _stand(motion, drives)
    resistance_n = _resistance_n(motion.speed_mps, drives.grade_frac)
    mend_mps2 = (drives.target_speed_mps - motion.speed_mps) / FOOT_S
    wanted_n = resistance_n + MASS_KG * mend_mps2
    force_n = _motor_force_n(wanted_n, motion.speed_mps)
    brake_n = min(0.0, wanted_n - force_n)
    gain_mps = (force_n + brake_n - resistance_n) / MASS_KG * dt_s
    speed_mps = max(0.0, motion.speed_mps + gain_mps)
    mean_mps = (motion.speed_mps + speed_mps) / 2.0
    loss_w = _loss_w(force_n, mean_mps)
    return Motion(
        speed_mps=speed_mps,
        way_m=motion.way_m + mean_mps * dt_s,
        motor_force_n=force_n,
        brake_force_n=brake_n,
        motor_power_w=force_n * mean_mps + loss_w + IDLE_W,
        motor_loss_w=loss_w,
    )


def _stand(motion: Motion, drives: Drives) -> Motion:
    power_w = IDLE_W if drives.is_ready else 0.0
    return Motion(0.0, motion.way_m, 0.0, 0.0, power_w, 0.0)


def _resistance_n(speed_mps: float, grade_frac: float) -> float:
    rolling_n = MASS_KG * GRAVITY_MPS2 * ROLLING_FRAC
    air_n = 0.5 * AIR_KG_M3 * DRAG_AREA_M2 * speed_mps * speed_mps
    climb_n = MASS_KG * GRAVITY_MPS2 * grade_frac / math.hypot(1.0, grade_frac)
    return rolling_n + air_n + climb_n


def _motor_force_n(wanted_n: float, speed_mps: float) -> float:
    """The wanted force as far as the motor gives it."""
    speed_floor_mps = max(speed_mps, 0.1)
    highest_n = min(MAX_FORCE_N, MAX_POWER_W / speed_floor_mps)
    fade = min(1.0, speed_mps / REGEN_FULL_MPS)
    lowest_n = -fade * min(MAX_REGEN_FORCE_N, MAX_REGEN_POWER_W / speed_floor_mps)
    return min(highest_n, max(lowest_n, wanted_n))


def _loss_w(force_n: float, speed_mps: float) -> float:
    torque_nm = force_n * METRES_PER_MOTOR_TURN / (2.0 * math.pi)
    turns_rpm = speed_mps / METRES_PER_MOTOR_TURN * 60.0
    return COPPER_W_PER_NM2 * torque_nm * torque_nm + SPIN_W_PER_RPM * turns_rpm
