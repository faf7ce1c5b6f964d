"""What a corrected setting makes of seconds that were stored before it.

Knows cells and channels. Three things can be told from a second alone: another factor
and offset of a box, another sign among them, and another way per motor turn. Another
sign and another way are exact to the bit; another factor to 1e-12 of the value.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from logger.core.derived import SHARES, Derived
from logger.core.scaling import rescaled
from logger.core.tick import US_PER_S, Cell, Tick
from logger.pipeline.spec import SOC_CELLS
from logger.quantities import find_channel

CHARGING, DISCHARGING = (share.result for share in SHARES)


class UntoldError(ValueError):
    """A correction that cannot be told from seconds; says why, in words."""


@dataclass(frozen=True, slots=True)
class Gain:
    """How a channel's new values follow from its old ones: factor, then offset."""

    factor: float = 1.0
    offset: float = 0.0

    def of(self, cell: Cell) -> Cell:
        """Return what a cell would have been."""
        a, b = self.factor, self.offset
        ends = (a * cell.low + b, a * cell.high + b)
        return replace(
            cell,
            low=min(ends),
            high=max(ends),
            last=a * cell.last + b,
            integral=a * cell.integral + b * cell.covered_us / US_PER_S,
        )


SAME = Gain()
"""Nothing changes."""


@dataclass(frozen=True, slots=True)
class Correction:
    """What changes in the seconds of a run.

    Attributes:
        gains: Of the channels that change, worked out ones too, by name.
        scales: Of channels that are another one times a setting: the factor before and
            after.
        bounds: What is plausible of the fed channels among them, in their unit.
        swaps: True where what went into the pack is what came out of it.
    """

    gains: Mapping[str, Gain] = field(default_factory=dict)
    scales: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    bounds: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    swaps: bool = False

    def of(self, tick: Tick) -> Tick:
        """Return what a second would have been, before it was counted.

        Raises:
            UntoldError: A value would have been refused as implausible.
        """
        cells = {}
        for name, cell in tick.cells.items():
            if name in SOC_CELLS:
                continue
            if self.swaps and name in (CHARGING, DISCHARGING):
                name = DISCHARGING if name == CHARGING else CHARGING
            gain, scales = self.gains.get(name), self.scales.get(name)
            if gain is not None:
                cell = gain.of(cell)
                if name in self.bounds:
                    _check(name, cell, *self.bounds[name])
            if scales is not None:
                cell = rescaled(cell, *scales)
            cells[name] = cell
        return replace(tick, cells=cells)


def correction(
    fed: Mapping[str, Gain],
    before: Sequence[Derived],
    after: Sequence[Derived],
) -> Correction:
    """Return what the corrections of boxes and wheels come to.

    Args:
        fed: The gains of the fed channels that change, by name.
        before: What was worked out with the old settings, in the order of dependence.
        after: What is worked out with the new ones.

    Raises:
        UntoldError: It cannot be told from seconds.
    """
    if [_shape(row) for row in before] != [_shape(row) for row in after]:
        raise UntoldError("other channels are worked out now")
    gains = dict(fed)
    scales: dict[str, tuple[float, float]] = {}
    swaps = False
    for old, new in zip(before, after, strict=True):
        gain = _product(new, gains)
        if new.is_clipped and gain.factor < 0.0:
            if new.result not in (CHARGING, DISCHARGING):
                raise UntoldError(f"{new.result} was cut off at 0 the other way round")
            swaps, gain = True, Gain(-gain.factor)
        if gain != SAME:
            gains[new.result] = gain
        if old.factor != new.factor:
            scales[new.result] = (old.factor, new.factor)
    bounds = {
        name: (found.quantity.low, found.quantity.high)
        for name in fed
        if (found := find_channel(name)) is not None
    }
    return Correction(gains, scales, bounds, swaps)


def _check(name: str, cell: Cell, low: float, high: float) -> None:
    if not low <= cell.low <= cell.high <= high:
        raise UntoldError(f"{name} would have been refused as implausible at times")


def _shape(row: Derived) -> tuple[str, str, str | None, bool]:
    return row.result, row.trigger, row.held, row.is_scaled


def _product(row: Derived, gains: Mapping[str, Gain]) -> Gain:
    """Return the gain of a channel that is worked out."""
    parts = [gains.get(name, SAME) for name in row.factors]
    if any(part.offset for part in parts):
        raise UntoldError(f"an offset of what {row.result} is worked out from")
    factor = 1.0
    for part in parts:
        factor *= part.factor
    return Gain(factor)
