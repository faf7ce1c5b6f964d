"""An interface of a real driver, whose controller can be told to only listen.

The kernel's own driver for text adapters (slcan) on a pseudo-terminal: what it writes
there is what a controller would have been told.
"""

import fcntl
import os
import pty
import struct
import subprocess
import termios
import threading
import tty
from collections.abc import Iterator
from contextlib import suppress

import pytest

from logger.clock import Clock
from logger.errors import SourceError
from logger.sources.inbox import Inbox
from logger.sources.socketcan import SocketCanSource
from tests.edges.devices import Listener, attended, until
from tests.kernel.inside.wires import ip

N_SLCAN = 17
"""Line discipline, linux/tty.h."""

SIOCGIFNAME = 0x8910


class Adapter:
    """A text adapter behind the kernel's driver, plugged in and not set up.

    Attributes:
        name: The interface.
    """

    def __init__(self) -> None:
        self._master, self._slave = pty.openpty()
        for end in (self._master, self._slave):
            tty.setraw(end)
        fcntl.ioctl(self._slave, termios.TIOCSETD, struct.pack("i", N_SLCAN))
        answer = fcntl.ioctl(self._slave, SIOCGIFNAME, bytes(40))
        self.name = answer[:16].partition(b"\0")[0].decode()
        self._told: list[bytes] = []
        # The driver waits for a command to be taken before it gives the next one.
        self._thread = threading.Thread(target=self._listen)
        self._thread.start()

    def _listen(self) -> None:
        with suppress(OSError):
            while True:
                self._told.append(os.read(self._master, 64))

    def told(self) -> str:
        """Return what the driver wrote to the adapter so far."""
        return b"".join(self._told).decode()

    def says(self, text: str) -> None:
        """Let the adapter say something."""
        os.write(self._master, text.encode() + b"\r")

    def pull(self) -> None:
        """Pull the plug."""
        os.close(self._slave)
        self._thread.join()
        os.close(self._master)


@pytest.fixture
def adapter() -> Iterator[Adapter]:
    """An adapter that nobody has set up."""
    made = Adapter()
    yield made
    made.pull()


def source(adapter: Adapter, *, listen_only: bool = True) -> SocketCanSource:
    """Return the bus `drive` on an adapter."""
    return SocketCanSource("drive", adapter.name, 500_000, listen_only, Inbox(Clock()))


def test_an_interface_that_is_down_is_set_to_listen_only(adapter: Adapter) -> None:
    source(adapter).open().close()
    told = adapter.told()
    # S6 is 500 kbit/s; L opens for listening only, O would open for speaking.
    assert "S6\r" in told
    assert "L\r" in told
    assert "O\r" not in told
    assert '"LISTEN-ONLY"' in ip("-details", "-json", "link", "show", adapter.name)


def test_an_interface_that_would_acknowledge_is_refused(adapter: Adapter) -> None:
    ip("link", "set", adapter.name, "type", "can", "bitrate", "500000")
    ip("link", "set", adapter.name, "up")
    with pytest.raises(SourceError) as caught:
        source(adapter).open()
    (fault,) = caught.value.faults
    assert fault.saw == "an interface that would acknowledge frames"
    assert f"ip link set {adapter.name} type can bitrate 500000 listen-only on" in (
        fault.fix
    )


def test_what_the_refusal_says_to_type_helps(adapter: Adapter) -> None:
    ip("link", "set", adapter.name, "type", "can", "bitrate", "500000")
    ip("link", "set", adapter.name, "up")
    with pytest.raises(SourceError) as caught:
        source(adapter).open()
    typed = caught.value.faults[0].fix.partition("Type: ")[2].partition(". Or")[0]
    for command in typed.split("; "):
        subprocess.run(command.split(), check=True)
    source(adapter).open().close()


def test_an_interface_at_another_bit_rate_is_refused(adapter: Adapter) -> None:
    ip("link", "set", adapter.name, "type", "can", "bitrate", "250000")
    ip("link", "set", adapter.name, "type", "can", "listen-only", "on")
    ip("link", "set", adapter.name, "up")
    with pytest.raises(SourceError, match="set to 250000 bit/s"):
        source(adapter).open()


def test_the_acknowledging_mode_takes_an_interface_as_it_is(adapter: Adapter) -> None:
    ip("link", "set", adapter.name, "type", "can", "bitrate", "500000")
    ip("link", "set", adapter.name, "up")
    before = adapter.told()
    source(adapter, listen_only=False).open().close()
    assert "O\r" in before
    assert adapter.told() == before


def test_an_interface_taken_down_by_a_person_is_left_alone(adapter: Adapter) -> None:
    inbox, clock = Inbox(Clock()), Clock()
    bus = SocketCanSource("drive", adapter.name, 500_000, True, inbox)
    listener = Listener(inbox)
    with attended(inbox, clock, bus) as (supervisor,):
        assert until(lambda: supervisor.status().state == "open")
        ip("link", "set", adapter.name, "down")
        assert until(lambda: supervisor.status().state == "lost")
        ip("link", "set", adapter.name, "type", "can", "listen-only", "off")
        assert until(lambda: "would acknowledge" in supervisor.status().text)
        ip("link", "set", adapter.name, "type", "can", "listen-only", "on")
        ip("link", "set", adapter.name, "up")
        assert until(lambda: "source back" in listener.told("bus drive"))


def test_a_frame_of_a_real_driver_comes_in(adapter: Adapter) -> None:
    inbox, clock = Inbox(Clock()), Clock()
    bus = SocketCanSource("drive", adapter.name, 500_000, True, inbox)
    listener = Listener(inbox)
    with attended(inbox, clock, bus) as (supervisor,):
        assert until(lambda: supervisor.status().state == "open")
        adapter.says("t12320102")
        assert until(lambda: listener.data("drive") == [b"\x01\x02"])


def test_a_controller_that_goes_bus_off_is_told(adapter: Adapter) -> None:
    inbox, clock = Inbox(Clock()), Clock()
    bus = SocketCanSource("drive", adapter.name, 500_000, True, inbox)
    with attended(inbox, clock, bus) as (supervisor,):
        assert until(lambda: supervisor.status().state == "open")
        # State of the controller and its two error counters, as the driver reads it.
        adapter.says("sb256256")
        assert until(lambda: "bus-off" in supervisor.status().condition.text)
        assert bus.error_frames == 1
