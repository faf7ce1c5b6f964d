"""From the van file to the sources it names."""

from logger.clock import Clock
from logger.sources.can_bus import CanSource
from logger.sources.inbox import Inbox
from logger.sources.serial_port import SerialSource
from logger.sources.socketcan import SocketCanSource
from logger.sources.supervisor import Source, Supervisor
from logger.van.settings import BusSection, PortSection, Settings


def supervisors(settings: Settings, inbox: Inbox, clock: Clock) -> list[Supervisor]:
    """Return one supervisor a bus and a port, not started yet.

    Ports whose device has to be asked are left out: nothing here asks.

    Args:
        settings: The van file.
        inbox: Where everything goes.
        clock: What the supervisors wait by.
    """
    sources: list[Source] = [_bus(bus, inbox) for bus in settings.buses]
    sources += [_port(port, inbox) for port in settings.ports if not port.polled]
    return [Supervisor(source, inbox, clock) for source in sources]


def _bus(bus: BusSection, inbox: Inbox) -> Source:
    """Return the source of a bus."""
    listens = bus.mode == "listen-only"
    if bus.adapter == "socketcan":
        return SocketCanSource(bus.name, bus.interface, bus.bit_rate, listens, inbox)
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
