"""Listens to the buses and ports of a van as they are now."""

from dataclasses import dataclass, field

from logger.commands.attending import attend, trouble
from logger.sources.can_bus import ADAPTERS, OTHER_ADAPTER
from logger.sources.condition import SOUND
from logger.van.settings import BusSection, Settings
from replay.listening.hearing import Hearing

RATES = (125_000, 250_000, 500_000, 1_000_000)
"""Bit rates that vehicles use, bit/s (common practice, no source)."""


def hear_live(hearing: Hearing, settings: Settings, seconds: float) -> None:
    """Hear what comes in for some seconds, and note what does not.

    Args:
        hearing: Takes it in.
        settings: The van file.
        seconds: How long, s.
    """
    attended = attend(settings, seconds, hearing.take)
    for status in attended.statuses:
        if status.state == "lost":
            hearing.remarks.append(f"{status.name}: {status.text}.")
            hearing.needs_look = True
        elif not attended.heard[status.name]:
            hearing.remarks.append(f"{status.name}: open, and nothing was heard.")
            hearing.needs_look = True
        if status.condition != SOUND:
            hearing.remarks.append(f"{status.name}: {trouble(status.condition)}.")
            hearing.needs_look = True
    hearing.remarks += [
        f"port {port.name} speaks only when it is asked; not listened to."
        for port in settings.ports
        if port.polled
    ]


@dataclass(slots=True)
class RateTrial:
    """Tries bit rates on each bus, listening only.

    Args:
        seconds: How long each rate is tried, s.
        rates: The bit rates, bit/s.

    Attributes:
        remarks: What came of it, a sentence a bus.
    """

    seconds: float
    rates: tuple[int, ...] = RATES
    remarks: list[str] = field(default_factory=list)

    def tried(self, settings: Settings) -> Settings:
        """Return the van file with the bit rates at which most was heard."""
        buses = tuple(self._bus(settings, bus) for bus in settings.buses)
        return settings.model_copy(update={"buses": buses})

    def _bus(self, settings: Settings, bus: BusSection) -> BusSection:
        why_not = _why_not(bus)
        if why_not:
            self.remarks.append(f"bus {bus.name}: {why_not}")
            return bus
        heard = {rate: self._heard(settings, bus, rate) for rate in self.rates}
        told = ", ".join(f"{n} frames at {rate}" for rate, n in heard.items())
        best = max(heard, key=lambda rate: heard[rate])
        if not heard[best]:
            self.remarks.append(f"bus {bus.name}: {told}; none of them is it.")
            return bus
        self.remarks.append(f"bus {bus.name}: {told}; bit_rate = {best} it is.")
        return bus.model_copy(update={"bit_rate": best})

    def _heard(self, settings: Settings, bus: BusSection, rate: int) -> int:
        alone = bus.model_copy(update={"bit_rate": rate})
        one = settings.model_copy(update={"buses": (alone,), "ports": ()})
        attended = attend(one, self.seconds, lambda items: None)
        return attended.heard[f"bus {bus.name}"]


def _why_not(bus: BusSection) -> str:
    """Return why a bus cannot be tried at other rates; empty if it can."""
    if bus.adapter == "slcan":
        return ""
    kind = ADAPTERS.get(bus.adapter, OTHER_ADAPTER)
    if bus.adapter == "socketcan":
        name = bus.interface
        return (
            f"the operating system sets the bit rate of {name}. Try one after the "
            f"other: ip link set {name} down; ip link set {name} type can bitrate "
            f"250000 listen-only on; ip link set {name} up; then listen again."
        )
    if not kind.can_be_silent:
        return f"adapter {bus.adapter} cannot be told to listen only; not tried."
    if not kind.bit_rate:
        return f"adapter {bus.adapter} has no bit rate."
    return ""
