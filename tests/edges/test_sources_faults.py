"""What goes wrong with one source: it comes back, and the others notice nothing.

Real pseudo-terminals and virtual buses. While something happens to one source, the
others are counted to, and every number must arrive.
"""

import itertools
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import pytest

from logger.clock import Clock
from logger.sources.can_bus import CanSource
from logger.sources.inbox import Inbox
from logger.sources.serial_port import SerialSession, SerialSource
from logger.sources.supervisor import Supervisor
from tests.builders import us
from tests.edges.devices import (
    Listener,
    Talker,
    Terminal,
    Tripped,
    Wire,
    attended,
    until,
)

BUSES = ("drive", "house")
PORTS = ("roof", "meter")


@dataclass(frozen=True, slots=True)
class Van:
    """Two buses and two ports, all open and supervised."""

    inbox: Inbox
    listener: Listener
    wires: dict[str, Wire]
    terminals: dict[str, Terminal]
    sources: dict[str, Tripped]
    supervisors: dict[str, Supervisor]

    def say(self, name: str, number: int) -> None:
        """Let a bus or a port say a number."""
        if name in self.wires:
            self.wires[name].speak(number)
        else:
            self.terminals[name].speak(b"%d\r\n" % number)

    def hears(self, name: str, number: int) -> bool:
        """Say a number; return whether it arrives."""
        self.say(name, number)
        return until(lambda: number in self.listener.numbers(name))

    def is_heard_again(self, name: str, number: int) -> bool:
        """Say a number until it arrives; what is said during an opening is lost."""

        def has_arrived() -> bool:
            self.say(name, number)
            return number in self.listener.numbers(name)

        return until(has_arrived)

    def state(self, source: str) -> str:
        """Return how a source stands."""
        return self.supervisors[source].status().state

    @contextmanager
    def others_lose_nothing(self, *hit: str) -> Iterator[None]:
        """Count to the others meanwhile; each number must arrive, once, in order."""
        talkers = {
            name: Talker(partial(self.say, name), 0.002)
            for name in (*BUSES, *PORTS)
            if name not in hit
        }
        try:
            yield
            assert until(lambda: all(talker.said > 50 for talker in talkers.values()))
        finally:
            for talker in talkers.values():
                talker.stop()
        for name, talker in talkers.items():
            self._has_all(name, talker.said)

    def _has_all(self, name: str, said: int) -> None:
        """Hold what arrived against what was said."""
        assert until(lambda: len(self.listener.data(name)) >= said), name
        assert self.listener.numbers(name) == list(range(said)), name


@pytest.fixture
def van(tmp_path: Path) -> Iterator[Van]:
    """A van whose four sources are all open."""
    with running(tmp_path, Clock()) as made:
        yield made


@contextmanager
def running(folder: Path, clock: Clock, most_waiting: int = 16_384) -> Iterator[Van]:
    """Run a van by a clock."""
    inbox = Inbox(clock, most_waiting)
    wires = {name: Wire() for name in BUSES}
    terminals = {name: Terminal(folder, name) for name in PORTS}
    made: list[Tripped] = [
        Tripped(CanSource(name, wire.channel, "virtual", None, True, inbox))
        for name, wire in wires.items()
    ]
    made += [
        Tripped(SerialSource(name, str(terminal.path), 115_200, inbox))
        for name, terminal in terminals.items()
    ]
    with ExitStack() as stack:
        for wire in wires.values():
            stack.callback(wire.close)
        for terminal in terminals.values():
            stack.callback(terminal.pull)
        supervisors = stack.enter_context(attended(inbox, clock, *made))
        assert until(lambda: all(s.status().state == "open" for s in supervisors))
        yield Van(
            inbox,
            Listener(inbox),
            wires,
            terminals,
            {source.name: source for source in made},
            {supervisor.name: supervisor for supervisor in supervisors},
        )


def test_a_source_is_open_before_anything_is_heard(van: Van) -> None:
    for name, supervisor in van.supervisors.items():
        status = supervisor.status()
        assert (status.name, status.state, status.text) == (name, "open", "")
        assert (status.heard_us, status.rate_hz, status.dropped) == (None, 0.0, 0)
    assert van.listener.notices == []


def test_a_source_that_speaks_has_a_rate_and_a_time(van: Van) -> None:
    talker = Talker(lambda number: van.say("drive", number), 0.01)
    supervisor = van.supervisors["bus drive"]
    assert until(lambda: supervisor.status().rate_hz > 1.0)
    talker.stop()
    heard_us = supervisor.status().heard_us
    assert heard_us is not None
    assert 0 < heard_us <= van.inbox.now_us()


def test_a_pulled_port_comes_back_under_its_name(van: Van) -> None:
    with van.others_lose_nothing("roof"):
        assert van.hears("roof", 1)
        van.terminals["roof"].speak(b"hal")
        van.terminals["roof"].pull()
        assert until(lambda: van.state("port roof") == "lost")
        assert "i" in van.supervisors["port roof"].status().text
        van.terminals["roof"].plug()
        assert until(lambda: van.state("port roof") == "open")
        assert van.hears("roof", 2)
    assert van.listener.numbers("roof") == [1, 2]
    assert van.listener.told("port roof") == ["source lost", "source back"]
    assert "after" in van.listener.notices[-1].text


def test_a_bus_that_is_closed_comes_back(van: Van) -> None:
    with van.others_lose_nothing("drive"):
        assert van.hears("drive", 1)
        session = van.sources["bus drive"].session
        assert session is not None
        session.close()
        assert until(
            lambda: van.listener.told("bus drive") == ["source lost", "source back"]
        )
        assert van.hears("drive", 2)
    assert van.listener.numbers("drive") == [1, 2]


@pytest.mark.parametrize("hit", [*BUSES, *PORTS])
def test_an_exception_in_one_source_ends_no_other(van: Van, hit: str) -> None:
    name = f"bus {hit}" if hit in BUSES else f"port {hit}"
    source = van.sources[name]
    with van.others_lose_nothing(hit):
        assert van.hears(hit, 1)
        source.trip(KeyError("a fault of our own"))
        assert until(lambda: van.state(name) == "open")
        assert van.hears(hit, 2)
    assert source.closed == 1
    assert van.listener.told(name) == ["source lost", "source back"]
    (reason,) = [n.text for n in van.listener.notices if n.kind == "source lost"]
    assert reason == "KeyError: 'a fault of our own'"


def test_garbage_on_one_port_costs_the_others_nothing(van: Van) -> None:
    garbage = bytes(range(256)) * 8 + b"\xaa" * 3000
    with van.others_lose_nothing("roof"):
        talker = Talker(lambda _: van.terminals["roof"].speak(garbage), 0.001)
        assert until(lambda: talker.said > 50)
        talker.stop()
        van.terminals["roof"].speak(b"\r\n")
        van.terminals["roof"].speak(b"last\r\n")
        assert until(lambda: b"last" in van.listener.data("roof"))
    assert van.listener.told("port roof") == []
    assert van.state("port roof") == "open"


def test_a_flood_on_one_bus_costs_the_others_nothing(tmp_path: Path) -> None:
    with running(tmp_path, Clock(), most_waiting=2000) as van:
        with van.others_lose_nothing("drive"):
            for number in range(5000):
                van.say("drive", number)
            supervisor = van.supervisors["bus drive"]
            assert until(lambda: supervisor.status().dropped > 0)
            assert until(lambda: supervisor.status().rate_hz > 0)
        arrived = van.listener.numbers("drive")
        assert until(lambda: len(van.listener.numbers("drive")) == len(arrived))
        assert len(arrived) + supervisor.status().dropped == 5000
        assert arrived == sorted(arrived)
        assert set(van.listener.told("bus drive")) == {"frames dropped"}


def test_a_flood_on_one_port_costs_the_others_nothing(tmp_path: Path) -> None:
    with running(tmp_path, Clock(), most_waiting=2000) as van:
        with van.others_lose_nothing("roof"):
            lines = b"".join(b"%d\r\n" % number for number in range(5000))
            van.terminals["roof"].speak(lines)
            supervisor = van.supervisors["port roof"]
            assert until(lambda: supervisor.status().dropped > 0)
        arrived = van.listener.numbers("roof")
        assert until(
            lambda: (
                len(van.listener.numbers("roof")) + supervisor.status().dropped == 5000
            )
        )
        assert arrived == sorted(arrived)
        assert set(van.listener.told("port roof")) == {"frames dropped"}


def test_numbers_and_times_rise_together_over_all_sources(van: Van) -> None:
    with van.others_lose_nothing():
        pass
    items = van.listener.items
    assert [item.seq for item in items] == list(range(len(items)))
    assert all(a.t_us <= b.t_us for a, b in itertools.pairwise(items))


def test_silence_is_told_once_and_ends_when_the_source_speaks(tmp_path: Path) -> None:
    with running(tmp_path, Clock(speed=20.0)) as van:
        assert van.hears("drive", 1)
        source = van.sources["bus drive"]
        with van.others_lose_nothing("drive"):
            assert until(lambda: van.state("bus drive") == "silent")
            # Opened anew at once, and again and again.
            assert until(lambda: source.opened >= 6)
            assert van.state("bus drive") == "silent"
        assert van.listener.told("bus drive") == ["source silent"]
        assert source.opened - source.closed <= 1
        assert van.is_heard_again("drive", 2)
        assert until(lambda: van.state("bus drive") == "open")
        assert van.listener.told("bus drive")[:2] == ["source silent", "source back"]
        assert van.state("port roof") == "open"


def test_a_silent_source_that_is_lost_is_silent_again_when_open(
    tmp_path: Path,
) -> None:
    with running(tmp_path, Clock(speed=20.0)) as van:
        assert van.hears("roof", 1)
        assert until(lambda: van.state("port roof") == "silent")
        van.terminals["roof"].pull()
        assert until(lambda: van.state("port roof") == "lost")
        van.terminals["roof"].plug()
        assert until(lambda: van.state("port roof") == "silent")
        assert van.is_heard_again("roof", 2)
        assert van.listener.told("port roof")[:3] == [
            "source silent",
            "source lost",
            "source back",
        ]


def test_a_source_that_never_spoke_is_not_silent(tmp_path: Path) -> None:
    with running(tmp_path, Clock(speed=20.0)) as van:
        assert until(lambda: van.inbox.now_us() > us(25.0))
        assert van.listener.notices == []
        assert {source.opened for source in van.sources.values()} == {1}


def waits_s(folder: Path, clock: Clock, tries: int) -> list[float]:
    """Return the times between tries to open what is not there, s of the clock."""
    inbox = Inbox(clock)
    tried_us: list[int] = []

    class Missing(SerialSource):
        """Writes down when it was tried."""

        def open(self) -> SerialSession:
            """Try."""
            tried_us.append(inbox.now_us())
            return super().open()

    missing = Missing("roof", str(folder / "nosuch"), 9600, inbox)
    listener = Listener(inbox)
    with attended(inbox, clock, missing) as (supervisor,):
        assert until(lambda: len(tried_us) >= tries)
        status = supervisor.status()
    assert (status.state, status.heard_us) == ("lost", None)
    assert "no such file" in status.text
    assert listener.told("port roof") == ["source lost"]
    return [(b - a) / us(1.0) for a, b in itertools.pairwise(tried_us[:tries])]


def test_tries_come_at_longer_and_longer_intervals(tmp_path: Path) -> None:
    # 33.5 s by the clock; that it is over at all shows that a faster one waits shorter.
    waits = waits_s(tmp_path, Clock(speed=50.0), 10)
    least = [0.5, 1.0, 2.0, 5.0, 5.0, 5.0, 5.0, 5.0, 5.0]
    assert all(wait >= low for wait, low in zip(waits, least, strict=True))


def test_a_source_that_fails_after_each_opening_is_tried_less_and_less(
    tmp_path: Path,
) -> None:
    clock = Clock(speed=20.0)
    with running(tmp_path, clock) as van:
        source = van.sources["port roof"]
        start_us = van.inbox.now_us()
        for _ in range(5):
            source.trip(OSError(5, "Input/output error"))
        assert van.inbox.now_us() - start_us >= us(0.5 + 1 + 2 + 5 + 5)


def test_what_is_there_only_later_is_found(tmp_path: Path) -> None:
    clock = Clock()
    inbox = Inbox(clock)
    listener = Listener(inbox)
    terminal = Terminal(tmp_path)
    terminal.pull()
    with attended(
        inbox, clock, SerialSource("roof", str(terminal.path), 9600, inbox)
    ) as (supervisor,):
        assert until(lambda: listener.told("port roof") == ["source lost"])
        terminal.plug()
        assert until(lambda: supervisor.status().state == "open")
        assert until(
            lambda: listener.told("port roof") == ["source lost", "source back"]
        )
    terminal.pull()


class Halfway(SerialSource):
    """Fails when the device is open already, as drivers do that then set it up."""

    def open(self) -> SerialSession:
        """Open the port and fail."""
        session = super().open()
        raise OSError(5, f"cannot set up {session}")


def test_a_device_is_let_go_of_before_the_next_try(tmp_path: Path) -> None:
    terminal, inbox = Terminal(tmp_path), Inbox(Clock())
    port = Halfway("roof", str(terminal.path), 9600, inbox)
    listener = Listener(inbox)
    # By this slow clock the next try is 50 s away.
    with attended(inbox, Clock(speed=0.01), port):
        assert until(lambda: listener.told("port roof") == ["source lost"])
        assert until(lambda: not terminal.is_held())
    terminal.pull()


def test_a_stop_closes_what_is_open(tmp_path: Path) -> None:
    with running(tmp_path, Clock()) as van:
        sources = list(van.sources.values())
    assert [(source.opened, source.closed) for source in sources] == [(1, 1)] * 4


def test_a_stop_is_over_within_a_second(tmp_path: Path) -> None:
    # By this slow clock the one that is missing waits 50 s for its next try.
    clock = Clock(speed=0.01)
    missing = SerialSource("gone", str(tmp_path / "gone"), 9600, Inbox(clock))
    with running(tmp_path, Clock()) as van:
        waiting = Supervisor(missing, van.inbox, clock)
        waiting.start()
        assert until(lambda: "no such file" in waiting.status().text)
        all_of_them = [waiting, *van.supervisors.values()]
        before_us = van.inbox.now_us()
        for supervisor in all_of_them:
            supervisor.stop()
        assert all(supervisor.join(20.0) for supervisor in all_of_them)
        assert van.inbox.now_us() - before_us < us(1.0)


def test_what_was_never_started_has_ended() -> None:
    inbox = Inbox(Clock())
    supervisor = Supervisor(SerialSource("a", "/nosuch", 9600, inbox), inbox, Clock())
    supervisor.stop()
    assert supervisor.join(1.0)
    assert supervisor.status().state == "lost"
