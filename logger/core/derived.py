"""Channels worked out from others, as data.

A channel that a box reports itself is never worked out: what is measured wins. Each
row is worked out when its trigger has a new sample, with the newest value of the held
channel, as long as that is not older than its own gap limit.
"""

from collections.abc import Collection
from dataclasses import dataclass

from logger.quantities import find_channel


@dataclass(frozen=True, slots=True)
class Derived:
    """One channel worked out: `result = factor * trigger [* held]`, clipped at 0.

    Attributes:
        result: Name of the channel that is worked out.
        trigger: Name of the channel whose samples set the pace.
        held: Name of the second factor, or None.
        factor: Fixed factor.
        is_clipped: True where negative results count as 0.
    """

    result: str
    trigger: str
    held: str | None = None
    factor: float = 1.0
    is_clipped: bool = False

    @property
    def is_scaled(self) -> bool:
        """True where a setting is all that lies between it and its trigger.

        The factor is then applied to whole seconds, so that it can be corrected later.
        """
        return self.held is None and abs(self.factor) != 1.0

    @property
    def factors(self) -> tuple[str, ...]:
        """Names of the channels that it is made of."""
        return (self.trigger,) if self.held is None else (self.trigger, self.held)


POWER_ROWS = (
    ("pack.power_w", "pack.current_a", "pack.voltage_v"),
    ("meter.power_w", "meter.current_a", "meter.voltage_v"),
    ("charger.<name>.dc_power_w", "charger.<name>.dc_current_a", ".dc_voltage_v"),
    ("charger.<name>.ac_power_w", "charger.<name>.ac_current_a", ".ac_voltage_v"),
    ("sun.<name>.power_w", "sun.<name>.current_a", ".voltage_v"),
    ("motor.dc_power_w", "controller.dc_current_a", "controller.dc_voltage_v"),
    ("dcdc.input_power_w", "dcdc.input_current_a", "dcdc.input_voltage_v"),
    ("dcdc.output_power_w", "dcdc.output_current_a", "dcdc.output_voltage_v"),
    ("house.power_w", "house.current_a", "pack.voltage_v"),
)
"""Power is current times voltage, with the current (the faster of the two) in the
lead. A held name that begins with a dot belongs to the same named part."""

SHARES = (
    Derived("pack.charging_power_w", "pack.power_w", factor=1.0, is_clipped=True),
    Derived("pack.discharging_power_w", "pack.power_w", factor=-1.0, is_clipped=True),
)
"""What went in and what went out, split sample by sample before anything is summed."""


ROAD_SPEED, MOTOR_SPEED = "road.speed_mps", "motor.speed_rpm"


def derive(fed: Collection[str], metres_per_motor_turn: float | None) -> list[Derived]:
    """Return what can be worked out for a van, in the order of dependence.

    Args:
        fed: Names of the channels that the van's boxes report.
        metres_per_motor_turn: Way per turn of the motor shaft, m; None if not known.
    """
    rows: list[Derived] = []
    known = set(fed)

    def offer(row: Derived) -> None:
        needs = {row.trigger, row.held or row.trigger}
        if row.result not in known and needs <= known:
            rows.append(row)
            known.add(row.result)

    for name in sorted(fed):
        for result, trigger, held in POWER_ROWS:
            offer(_for_part(name, result, trigger, held))
    for row in SHARES:
        offer(row)
    if metres_per_motor_turn is not None:
        factor = metres_per_motor_turn / 60.0
        offer(Derived(ROAD_SPEED, MOTOR_SPEED, factor=factor, is_clipped=True))
    return rows


def told_from(names: Collection[str]) -> list[Derived]:
    """Return what, of some channels, may have been worked out from others of them.

    The factor of a setting is not known here; it is given as that of a turn a metre.
    """
    rows = [_for_part(name, *row) for name in sorted(names) for row in POWER_ROWS]
    rows += SHARES
    rows.append(Derived(ROAD_SPEED, MOTOR_SPEED, factor=1 / 60.0, is_clipped=True))
    found = {row.result: row for row in rows if names_in(row) <= set(names)}
    return list(found.values())


def names_in(row: Derived) -> set[str]:
    """Return the channels of a row: what is worked out, and from what."""
    return {row.result, *row.factors}


def _for_part(name: str, result: str, trigger: str, held: str) -> Derived:
    channel = find_channel(name)
    which = channel.which if channel else ""
    part = name.split(".")[0]
    if held.startswith("."):
        held = f"{trigger.split('.')[0]}.<name>{held}"
    if trigger.split(".")[0] != part or not which:
        return Derived(result, trigger, held)
    return Derived(
        result=result.replace("<name>", which),
        trigger=trigger.replace("<name>", which),
        held=held.replace("<name>", which),
    )
