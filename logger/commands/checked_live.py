"""What the boxes of a van say now, held against what may be true of it.

Source by source: does it speak. Channel by channel: its value, whether that can be, and
what its sign means. Opens nothing itself.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from logger.commands.attending import Attended, trouble
from logger.core.health import Health, Reading
from logger.decode.frames import Raw
from logger.pipeline.chain import Pipeline
from logger.pipeline.spec import COUNTED, Refusal
from logger.quantities import find_channel
from logger.sources.condition import SOUND
from logger.van.reading import Van

PACK_TRIAL = (
    "With the charger unplugged and no sun, switch on a heater: the current "
    "must go below 0. While charging it must be above 0. If it is the other way round, "
    "set flip = true in its feed."
)
SIGN_TRIAL = {
    COUNTED: PACK_TRIAL,
    "meter.current_a": PACK_TRIAL,
    "aux.current_a": "With nothing charging the 12 V battery, switch on the lights: it "
    "must go below 0. If it rises, set flip = true in its feed.",
    "motor.dc_power_w": "Driving off it must be above 0, slowing down by the motor "
    "below 0.",
}
"""How a person finds out which way a box counts, where no source gives a sign."""

WORTH_A_HINT_A = 2.0
"""Below it a sensor's zero may be off by as much (design judgement)."""

WORTH_A_HINT_W = 500.0
"""A motor that draws this drives (design judgement)."""


@dataclass(frozen=True, slots=True)
class Finding:
    """One line of a check.

    Attributes:
        name: The source or the channel.
        text: What was found.
        needs_look: Whether a person must look.
    """

    name: str
    text: str
    needs_look: bool = False


class LiveCheck:
    """Takes in what comes and judges it; stores nothing.

    Args:
        van: The van file.
    """

    def __init__(self, van: Van) -> None:
        self._van = van
        self._pipeline = Pipeline(van.spec)

    def take(self, items: Sequence[Raw]) -> None:
        """Take in what arrived."""
        self._pipeline.feed(items)

    def findings(self, attended: Attended) -> list[Finding]:
        """Return what was found, sources first."""
        found = [*_sources(attended)]
        readings = self._pipeline.readings(attended.now_us)
        fed = {feed.channel.name for feed in self._van.spec.feeds()}
        asked = self._asked()
        found += [
            _asked(each) if each.channel in asked else _channel(each)
            for each in readings
            if each.channel in fed
        ]
        found += [_refusal(each) for each in self._pipeline.balance().refusals]
        found += _sign_hints({each.channel: each for each in readings})
        return found

    def _asked(self) -> set[str]:
        """Return the channels that only come when their port is asked."""
        settings = self._van.settings
        polled = {port.name for port in settings.ports if port.polled}
        others = {feed.channel for feed in settings.feeds if feed.port not in polled}
        return {feed.channel for feed in settings.feeds} - others

    @property
    def sign_trials(self) -> Iterator[tuple[str, str]]:
        """How to find out the sign of each fed channel that needs it."""
        fed = {feed.channel.name for feed in self._van.spec.feeds()}
        return ((name, text) for name, text in SIGN_TRIAL.items() if name in fed)


def _sources(attended: Attended) -> Iterator[Finding]:
    for status in attended.statuses:
        n = attended.heard[status.name]
        if status.state == "lost":
            yield Finding(status.name, f"not there: {status.text}", True)
        elif n == 0:
            yield Finding(status.name, "open, and nothing was heard", True)
        else:
            seconds = attended.now_us / 1e6
            yield Finding(status.name, f"{n} heard in {seconds:.0f} s")
        if status.condition != SOUND:
            yield Finding(status.name, trouble(status.condition), True)
    for notice in attended.notices:
        if notice.kind in ("frames dropped", "frames lost"):
            yield Finding(notice.source, f"{notice.kind}: {notice.text}", True)


def _channel(reading: Reading) -> Finding:
    channel = find_channel(reading.channel)
    assert channel is not None, "every fed channel is known"
    quantity = channel.quantity
    if reading.health is Health.IMPLAUSIBLE:
        text = f"{reading.note}; {quantity.low:g} to {quantity.high:g} can be"
        return Finding(reading.channel, text, True)
    if reading.value is None:
        return Finding(reading.channel, "nothing was heard", True)
    unit = "" if quantity.is_coded else f" {quantity.unit.symbol}"
    means = f" (positive: {quantity.sign})" if quantity.sign else ""
    if reading.health is Health.DISAGREEING:
        text = f"{reading.value:.6g}{unit}, and {reading.note} says something else"
        return Finding(reading.channel, text, True)
    return Finding(reading.channel, f"{reading.value:.6g}{unit}{means}")


def _asked(reading: Reading) -> Finding:
    return Finding(reading.channel, "comes only when its port is asked; not tried here")


def _refusal(refusal: Refusal) -> Finding:
    text = f"{refusal.n} x {refusal.reason.value}, last {refusal.sample}"
    return Finding(refusal.place, text, True)


def _sign_hints(readings: dict[str, Reading]) -> Iterator[Finding]:
    """Yield where two boxes contradict each other about the way of the current.

    Design judgement: what a charger delivers goes into the pack unless something takes
    it; a motor that draws is fed by the pack.
    """
    pack_a = _value(readings.get(COUNTED))
    if pack_a is None or abs(pack_a) < WORTH_A_HINT_A:
        return
    motor_w = _value(readings.get("motor.dc_power_w")) or 0.0
    charging_a = sum(
        _value(each) or 0.0
        for name, each in readings.items()
        if name.startswith("charger.") and name.endswith(".dc_current_a")
    )
    if motor_w > WORTH_A_HINT_W and pack_a > 0 and charging_a < WORTH_A_HINT_A:
        text = (
            "above 0, into the pack, while the motor draws: is flip set as it must be?"
        )
        yield Finding(COUNTED, text, True)
    if motor_w <= 0.0 and pack_a < 0 and charging_a > 2 * abs(pack_a):
        text = "below 0, out of the pack, while a charger delivers more: is flip right?"
        yield Finding(COUNTED, text, True)


def _value(reading: Reading | None) -> float | None:
    return None if reading is None else reading.value
