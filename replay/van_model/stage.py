"""The buses and ports on which the invented van speaks, opened and closed.

An edge. The buses are virtual ones inside this process, the ports pseudo-terminals.
"""

import os
import tty
from collections.abc import Iterator, Mapping
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field

import can

from replay.van_model.files import CHANNELS, PORTS


@dataclass(frozen=True, slots=True)
class PortEnd:
    """A pseudo-terminal: the end that the van writes to, and the path of the other."""

    fd: int
    device: str


@dataclass(frozen=True, slots=True)
class Stage:
    """Everything the van speaks on.

    Attributes:
        buses: By the name of the bus in the van file.
        ports: By the name of the port in the van file.
    """

    buses: Mapping[str, can.BusABC] = field(default_factory=dict)
    ports: Mapping[str, PortEnd] = field(default_factory=dict)

    @property
    def fds(self) -> dict[str, int]:
        """The ends to write to, by port."""
        return {name: port.fd for name, port in self.ports.items()}

    @property
    def devices(self) -> dict[str, str]:
        """The paths to read from, by port."""
        return {name: port.device for name, port in self.ports.items()}


@contextmanager
def open_stage() -> Iterator[Stage]:
    """Open the van's buses and ports, and close them in the end."""
    with ExitStack() as stack:
        yield Stage(
            {
                name: stack.enter_context(open_bus(channel))
                for name, channel in CHANNELS.items()
            },
            {name: stack.enter_context(open_port()) for name in PORTS},
        )


def open_bus(channel: str) -> can.BusABC:
    """Return a virtual bus that lives inside this process, and nowhere else.

    Args:
        channel: Its name; whoever opens the same name hears what is said.
    """
    return can.Bus(interface="virtual", channel=channel, receive_own_messages=False)


@contextmanager
def open_port() -> Iterator[PortEnd]:
    """Open a pseudo-terminal in raw mode; writing to it never blocks.

    The far end is held open too: otherwise the writer gets an error whenever the reader
    has closed it.
    """
    near, far = os.openpty()
    try:
        # Both ends share one set of modes; it is set where every system allows it.
        tty.setraw(far)
        os.set_blocking(near, False)
        yield PortEnd(near, os.ttyname(far))
    finally:
        os.close(far)
        os.close(near)
