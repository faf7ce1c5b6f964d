"""Opens all that a van file names for a while, listening only, and hands on what came.

Whatever the van file says, no bus is acknowledged and no port is asked here: a look at
a van must not change what its boxes do.
"""

import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from logger.clock import Clock
from logger.decode.frames import Frame, Line, Raw
from logger.sources.condition import Condition
from logger.sources.inbox import Inbox, Notice
from logger.sources.opening import supervisors
from logger.sources.supervisor import Status, Supervisor
from logger.van.settings import Settings

ROUND_S = 0.2
"""Between two looks at what came in; the inbox holds seconds of a full bus."""

LONGEST_STOP_S = 5.0
"""For a source to let go of its device."""


@dataclass(frozen=True, slots=True)
class Attended:
    """How the sources stood at the end.

    Attributes:
        statuses: One a source, in the order of the van file.
        notices: What happened to them.
        heard: How many items came, by source.
        now_us: The end, microseconds since the beginning.
    """

    statuses: Sequence[Status]
    notices: Sequence[Notice]
    heard: dict[str, int]
    now_us: int


def trouble(condition: Condition) -> str:
    """Return in words what is wrong with a source that is open."""
    counts = ((condition.errors, "errors"), (condition.lost, "lost"))
    parts = [f"{n} {what}" for n, what in counts if n]
    return ", ".join([*parts, condition.text] if condition.text else parts)


def silent(settings: Settings) -> Settings:
    """Return a van file whose buses only listen and whose ports are not asked."""
    buses = (bus.model_copy(update={"mode": "listen-only"}) for bus in settings.buses)
    ports = (port for port in settings.ports if not port.polled)
    return settings.model_copy(update={"buses": tuple(buses), "ports": tuple(ports)})


def attend(
    settings: Settings,
    seconds: float,
    take: Callable[[Sequence[Raw]], object],
    clock: Clock | None = None,
) -> Attended:
    """Listen for some seconds.

    Args:
        settings: The van file.
        seconds: How long, s.
        take: Given what came in, again and again.
        clock: Stamps; None for the computer's own.
    """
    clock = clock or Clock()
    inbox = Inbox(clock)
    made = supervisors(silent(settings), inbox, clock)
    heard = {each.name: 0 for each in made}
    notices: list[Notice] = []
    for each in made:
        each.start()
    try:
        pause, end_us = threading.Event(), round(seconds * 1e6)
        while inbox.now_us() < end_us:
            pause.wait(min(ROUND_S, max(0.0, (end_us - inbox.now_us()) / 1e6)))
            notices += _hand_on(inbox, take, heard)
        statuses = [each.status() for each in made]
    finally:
        _let_go(made)
    notices += _hand_on(inbox, take, heard)
    return Attended(statuses, notices, heard, inbox.now_us())


def _hand_on(
    inbox: Inbox, take: Callable[[Sequence[Raw]], object], heard: dict[str, int]
) -> list[Notice]:
    taken = inbox.take()
    for item in taken.items:
        if isinstance(item, Frame):
            heard[f"bus {item.bus}"] += 1
        elif isinstance(item, Line):
            heard[f"port {item.port}"] += 1
    take(taken.items)
    return taken.notices


def _let_go(made: Sequence[Supervisor]) -> None:
    for each in made:
        each.stop()
    for each in made:
        each.join(LONGEST_STOP_S)
