"""What a made-up van does on a day: ten values a second of every quantity.

Three hours on the road and six at a charger, the same for the same seed. Noise is that
of the devices, so that what is stored packs no better than a real day (the levels are
design judgement: common practice, no source).
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

HZ = 10
"""Values a second."""

DRIVE_S = 3 * 3600
CHARGE_S = 6 * 3600
CELLS_IN_SERIES = 48
CAPACITY_AH = 160.0

Array = NDArray[np.float64]


@dataclass(slots=True)
class Noise:
    """Random arrays of one length.

    Args:
        rng: Where they come from.
        count: Their length.
    """

    rng: np.random.Generator
    count: int

    def white(self, sigma: float) -> Array:
        """Return independent errors of one standard deviation."""
        return self.rng.normal(0.0, sigma, self.count)

    def slow(self, sigma: float, memory_s: float) -> Array:
        """Return something that wanders and comes back.

        Args:
            sigma: About one standard deviation.
            memory_s: How long it stays on one side, s.
        """
        knots = max(4, int(self.count / (memory_s * HZ)) + 2)
        at = np.linspace(0, knots - 1, self.count)
        return np.interp(at, np.arange(knots), self.rng.normal(0.0, sigma, knots))


def day(
    seed: int, drive_s: int = DRIVE_S, charge_s: int = CHARGE_S
) -> dict[str, Array]:
    """Return what the van did, by channel name, in the channels' units.

    Args:
        seed: Names the day.
        drive_s: How long it is on the road, s.
        charge_s: How long it then is at the charger, s.
    """
    count = (drive_s + charge_s) * HZ
    noise = Noise(np.random.default_rng(seed), count)
    is_driving = np.arange(count) < drive_s * HZ
    is_moving = is_driving & (noise.slow(1.0, 90.0) > -0.8)
    speed = np.where(is_moving, np.abs(15.0 + noise.slow(6.0, 30.0)), 0.0)
    torque = np.where(is_moving, 60.0 + noise.slow(70.0, 6.0) + noise.white(1.0), 0.0)
    rpm = np.where(is_moving, speed * 190.0 + noise.white(4.0), 0.0)
    motor_a = np.where(is_moving, torque * rpm / 60.0 * 6.28 / 160.0 / 0.9, 0.0)
    charge_a = np.where(is_driving, 0.0, 20.0 + noise.slow(0.3, 600.0))
    house_a = 1.2 + noise.slow(0.3, 60.0)
    suns = {name: _sun(noise) for name in ("roof", "left", "right")}
    sun_a = sum(volts * amps for volts, amps in suns.values()) / 160.0
    current = charge_a + sun_a - motor_a - house_a + noise.white(0.15)
    soc = 80.0 + np.cumsum(current) / HZ / 3600.0 / CAPACITY_AH * 100.0
    cell_v = 3.25 + 0.0022 * np.clip(soc, 0, 100) + current * 0.0004
    pack = {
        "pack.current_a": current,
        "pack.voltage_v": cell_v * CELLS_IN_SERIES + noise.white(0.05),
        "meter.soc_pct": np.clip(soc, 0, 100),
        "pack.charge_limit_a": np.clip(100 - (soc - 70) * 2, 5, 100),
        "pack.discharge_limit_a": np.full(count, 300.0),
        "cell.min_voltage_v": cell_v - 0.008 + noise.white(0.001),
        "cell.max_voltage_v": cell_v + 0.007 + noise.white(0.001),
        "contactor.closed": np.ones(count),
    }
    for number in range(1, 9):
        volts = cell_v * 6 + 0.01 * number + noise.white(0.004)
        pack[f"module.{number}.voltage_v"] = volts
    for number in range(1, 6):
        warm = 22.0 + noise.slow(1.5, 1800.0) + number * 0.4 + noise.white(0.1)
        pack[f"module.{number}.temperature_degc"] = warm
    return (
        pack
        | _road(noise, speed, torque, rpm, motor_a, is_driving)
        | _suns(suns)
        | _charger(noise, charge_a, cell_v * CELLS_IN_SERIES)
        | _dcdc(noise, house_a)
    )


def _road(
    noise: Noise,
    speed: Array,
    torque: Array,
    rpm: Array,
    motor_a: Array,
    on: NDArray[np.bool_],
) -> dict[str, Array]:
    track = np.cumsum(speed) / HZ
    return {
        "motor.speed_rpm": rpm,
        "motor.torque_nm": torque,
        "pedal.position_pct": np.clip(torque * 0.5 + noise.white(0.1), 0, 100),
        "controller.dc_current_a": motor_a + noise.white(0.4) * (rpm > 0),
        "controller.dc_voltage_v": 162.0 - motor_a * 0.02 + noise.white(0.06),
        "motor.temperature_degc": 45.0 + noise.slow(15.0, 900.0),
        "controller.temperature_degc": 38.0 + noise.slow(8.0, 600.0),
        "controller.available_power_pct": np.full(noise.count, 100.0),
        "drive.ready": on.astype(float),
        "drive.selector": np.where(on, 3.0, 0.0),
        "controller.enabled": (rpm > 0).astype(float),
        "gps.latitude_deg": 48.0 + track * 4e-6 + noise.slow(8e-6, 20.0),
        "gps.longitude_deg": 9.0 + track * 7e-6 + noise.slow(8e-6, 20.0),
        "gps.altitude_m": 300.0 + noise.slow(60.0, 300.0) + noise.slow(1.0, 5.0),
        "gps.speed_mps": np.abs(speed + noise.white(0.05)),
    }


def _sun(noise: Noise) -> tuple[Array, Array]:
    light = np.clip(0.6 + noise.slow(0.25, 120.0), 0.02, 1.0)
    volts = 33.0 + noise.slow(1.0, 30.0) + noise.white(0.02)
    return volts, light * 9.0 + noise.white(0.01)


def _suns(suns: Mapping[str, tuple[Array, Array]]) -> dict[str, Array]:
    found = {}
    for name, (volts, amps) in suns.items():
        found[f"sun.{name}.voltage_v"] = volts
        found[f"sun.{name}.current_a"] = amps
    return found


def _charger(noise: Noise, amps: Array, volts: Array) -> dict[str, Array]:
    mains = 229.0 + noise.slow(2.0, 60.0) + noise.white(0.2)
    return {
        "charger.main.ac_voltage_v": mains,
        "charger.main.ac_current_a": amps * volts / 0.93 / mains + noise.white(0.05),
        "charger.main.dc_voltage_v": volts + 0.3 + noise.white(0.05),
        "charger.main.dc_current_a": amps + noise.white(0.05),
        "charger.main.status": np.full(noise.count, 2.0),
    }


def _dcdc(noise: Noise, house_a: Array) -> dict[str, Array]:
    return {
        "dcdc.output_voltage_v": 13.6 + noise.slow(0.03, 20.0) + noise.white(0.006),
        "dcdc.output_current_a": house_a * 10.0 + noise.white(0.1),
    }
