"""From the van file to the sources it names."""

from collections.abc import Mapping, Sequence

from logger.clock import Clock
from logger.decode.text_lines import Form
from logger.sources.can_bus import CanSource
from logger.sources.inbox import Inbox
from logger.sources.serial_port import SerialSource
from logger.sources.slcan import SlcanSource
from logger.sources.socketcan import SocketCanSource
from logger.sources.supervisor import Source, Supervisor
from logger.van.settings import BusSection, PortSection, Settings


def supervisors(
    settings: Settings,
    inbox: Inbox,
    clock: Clock,
    lines: Mapping[str, Sequence[Form]] | None = None,
) -> list[Supervisor]:
    """Return one supervisor a bus and a port, not started yet.

    A port that is polled and has no Modbus device with a feed is left out: there is
    nothing to ask.

    Args:
        settings: The van file.
        inbox: Where everything goes.
        clock: What the supervisors wait by.
        lines: What the lines of each port are read by, by port name.
    """
    sources: list[Source] = [_bus(bus, inbox) for bus in settings.buses]
    sources += [_port(port, inbox) for port in settings.ports if not port.polled]
    if any(port.polled for port in settings.ports):
        # Only here: the library behind it is loaded where a port is polled.
        from logger.sources.polling import polled_sources

        sources += polled_sources(settings, inbox, lines or {})
    return [Supervisor(source, inbox, clock) for source in sources]


def _bus(bus: BusSection, inbox: Inbox) -> Source:
    """Return the source of a bus."""
    listens = bus.mode == "listen-only"
    if bus.adapter == "socketcan":
        return SocketCanSource(bus.name, bus.interface, bus.bit_rate, listens, inbox)
    if bus.adapter == "slcan":
        return SlcanSource(bus.name, bus.interface, bus.bit_rate, listens, inbox)
    return CanSource(
        bus_name=bus.name,
        channel=bus.interface,
        adapter=bus.adapter,
        bit_rate=bus.bit_rate,
        listen_only=listens,
        inbox=inbox,
    )


def _port(port: PortSection, inbox: Inbox) -> SerialSource:
    """Return the source of a port."""
    return SerialSource(port.name, port.device, port.baud_rate, inbox)
