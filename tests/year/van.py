"""The boxes of the made-up van: what they tell together, how often and how fine.

Turns the values of a day into ticks through the real folds, and into frames as a bus
would have carried them.
"""

import struct
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from logger.core.derived import Derived, derive
from logger.core.tick import LEARNED, US_PER_S, Cell, ChannelFold, Gap, GapLimit, Tick
from logger.decode.frames import Frame
from logger.quantities import find_channel
from tests.year.signals import HZ, Array

JITTER_US = 600
"""How early or late a box speaks (design judgement)."""


@dataclass(frozen=True, slots=True)
class Box:
    """One message: its identifier, its beat, and the steps that its values come in.

    Attributes:
        can_id: Identifier of its first frame; four values go into a frame.
        beat_us: Time between two of its messages, microseconds.
        steps: Smallest step of each channel, in its unit.
        when: `always`, `drive` or `charge`.
    """

    can_id: int
    beat_us: int
    steps: Mapping[str, float]
    when: str = "always"


PACK = Box(0x1A0, 100_000, {"pack.current_a": 0.1, "pack.voltage_v": 0.1})
CHARGER = Box(
    0x3C0,
    1_000_000,
    {
        "charger.main.ac_voltage_v": 0.1,
        "charger.main.ac_current_a": 0.1,
        "charger.main.dc_voltage_v": 0.1,
        "charger.main.dc_current_a": 0.1,
        "charger.main.status": 1,
    },
    "charge",
)

BOXES = (
    PACK,
    Box(
        0x210,
        100_000,
        {
            "motor.speed_rpm": 1,
            "motor.torque_nm": 0.5,
            "pedal.position_pct": 0.5,
            "controller.dc_current_a": 1,
            "controller.dc_voltage_v": 0.1,
        },
        "drive",
    ),
    Box(
        0x220,
        1_000_000,
        {
            "motor.temperature_degc": 1,
            "controller.temperature_degc": 1,
            "controller.available_power_pct": 1,
            "drive.ready": 1,
            "drive.selector": 1,
            "controller.enabled": 1,
        },
    ),
    Box(
        0x1B0,
        1_000_000,
        {
            "meter.soc_pct": 0.5,
            "pack.charge_limit_a": 1,
            "pack.discharge_limit_a": 1,
            "cell.min_voltage_v": 0.001,
            "cell.max_voltage_v": 0.001,
            "contactor.closed": 1,
        },
    ),
    Box(0x1C0, 1_000_000, {f"module.{n}.voltage_v": 0.01 for n in range(1, 9)}),
    Box(0x1D0, 5_000_000, {f"module.{n}.temperature_degc": 0.5 for n in range(1, 6)}),
    CHARGER,
    *(
        Box(
            can_id,
            1_000_000,
            {f"sun.{name}.voltage_v": 0.01, f"sun.{name}.current_a": 0.01},
        )
        for can_id, name in ((0x310, "roof"), (0x318, "left"), (0x320, "right"))
    ),
    Box(
        0x330,
        1_000_000,
        {"dcdc.output_voltage_v": 0.01, "dcdc.output_current_a": 0.1},
    ),
    Box(
        0x400,
        1_000_000,
        {
            "gps.latitude_deg": 1e-6,
            "gps.longitude_deg": 1e-6,
            "gps.altitude_m": 0.1,
            "gps.speed_mps": 0.01,
        },
        "drive",
    ),
)
"""Sixty channels, ten of them worked out."""

FEW_BOXES = (PACK, CHARGER)
"""Twelve channels, for what must be fast."""


@dataclass(frozen=True, slots=True)
class Second:
    """One second: what was folded, and the frames it came from."""

    tick: Tick
    frames: tuple[Frame, ...]


@dataclass(frozen=True, slots=True)
class _Told:
    """All messages of one box: when, in whole steps and in units."""

    box: Box
    times_us: list[int]
    steps: list[list[int]]
    values: list[list[float]]


def _told(box: Box, day: Mapping[str, Array], drive_s: int, seed: int) -> _Told:
    (count,) = next(iter(day.values())).shape
    end_us = count * US_PER_S // HZ
    drive_us = drive_s * US_PER_S
    first, last = {
        "always": (0, end_us),
        "drive": (0, drive_us),
        "charge": (drive_us, end_us),
    }[box.when]
    rng = np.random.default_rng((seed, box.can_id))
    # No two boxes have clocks that agree.
    beat_us = box.beat_us * (1.0 + rng.normal(0.0, 50e-6))
    due_us = np.arange(first + rng.uniform(0, box.beat_us), last - JITTER_US, beat_us)
    times = (due_us + rng.uniform(0, JITTER_US, due_us.shape)).astype(np.int64)
    places = times * HZ // US_PER_S
    steps = [np.rint(day[name][places] / step) for name, step in box.steps.items()]
    # As a description scales: a whole number times a factor.
    values = [
        (whole.astype(np.int64) * step).tolist()
        for whole, step in zip(steps, box.steps.values(), strict=True)
    ]
    wholes = [whole.astype(np.int64).tolist() for whole in steps]
    return _Told(box, times.tolist(), wholes, values)


@dataclass(slots=True)
class _Follower:
    row: Derived
    fold: ChannelFold


@dataclass(slots=True)
class _Folds:
    """Every channel under way, and what follows from it."""

    folds: dict[str, ChannelFold]
    followers: dict[str, list[_Follower]]

    @classmethod
    def of(cls, boxes: Sequence[Box]) -> "_Folds":
        fed = [name for box in boxes for name in box.steps]
        made = cls({name: _fold(name) for name in fed}, {})
        for row in derive(fed, 0.0053 * 60.0):
            follower = _Follower(row, _fold(row.result))
            made.folds[row.result] = follower.fold
            made.followers.setdefault(row.trigger, []).append(follower)
        return made

    def add(self, name: str, t_us: int, value: float) -> None:
        """Take one sample, and work out what follows."""
        self.folds[name].add(t_us, value)
        for follower in self.followers.get(name, ()):
            row = follower.row
            result = row.factor * value
            if row.held is not None:
                held = self.folds[row.held]
                if held.latest_us is None:
                    continue
                result *= held.latest
            if row.is_clipped and result < 0.0:
                result = 0.0
            self.add(row.result, t_us, result)

    def close(self, index: int, first_us: int, last_us: int) -> Tick:
        """Return the second that is over."""
        cells: dict[str, Cell] = {}
        gaps: list[Gap] = []
        limits: list[GapLimit] = []
        for name, fold in self.folds.items():
            if fold.n == 0:
                continue
            cells[name] = fold.close()
            gaps += fold.gaps
            limits += fold.limits
            fold.gaps.clear()
            fold.limits.clear()
        return Tick(index, first_us, last_us, cells, tuple(gaps), tuple(limits))


def _fold(name: str) -> ChannelFold:
    found = find_channel(name)
    assert found is not None, name
    return ChannelFold(name, LEARNED, not found.quantity.is_coded)


def seconds(
    day: Mapping[str, Array], boxes: Sequence[Box], drive_s: int, seed: int
) -> Iterator[Second]:
    """Yield a day second by second.

    Args:
        day: What the van did, ten values a second.
        boxes: Who tells it.
        drive_s: When the charger is plugged in, s since the run's zero.
        seed: Names the day.
    """
    folds = _Folds.of(boxes)
    told = [_told(box, day, drive_s, seed) for box in boxes]
    order = sorted(
        (t_us, number, place)
        for number, each in enumerate(told)
        for place, t_us in enumerate(each.times_us)
    )
    # Within a message, what is held (a voltage) comes before what leads (a current).
    names = [
        sorted(enumerate(box.steps), key=lambda x: x[1].endswith("_a")) for box in boxes
    ]
    index, first_us, last_us, seq = 0, 0, 0, 0
    frames: list[Frame] = []
    for t_us, number, place in order:
        if t_us // US_PER_S > index:
            if frames:
                yield Second(folds.close(index, first_us, last_us), tuple(frames))
            index, first_us, frames = t_us // US_PER_S, t_us, []
        each = told[number]
        for column, name in names[number]:
            folds.add(name, t_us, each.values[column][place])
        made = _frames(each, place, seq)
        seq += len(made)
        frames += made
        last_us = t_us
    if frames:
        yield Second(folds.close(index, first_us, last_us), tuple(frames))


def _frames(told: _Told, place: int, seq: int) -> list[Frame]:
    """Return the frames of one message, four values of two bytes in each."""
    wholes = [column[place] & 0xFFFF for column in told.steps]
    return [
        Frame(
            told.times_us[place],
            seq + number,
            "traction",
            told.box.can_id + number,
            False,
            struct.pack("<4H", *[*wholes[at : at + 4], 0, 0, 0][:4]),
        )
        for number, at in enumerate(range(0, len(wholes), 4))
    ]
