"""The daemon's one loop: take what came in, count it, hand it to the card, show it.

A round never waits for a device or for the card: sources have threads of their own
behind the inbox, the card has one behind `Storing`.
"""

import logging
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from logger.clock import Clock, boot_id, uptime_us
from logger.core.health import Reading
from logger.core.moving import Moving, step
from logger.core.tick import US_PER_S
from logger.core.trips import Trip
from logger.daemon.caring import Told
from logger.daemon.dates import Dates
from logger.daemon.publishing import Moment, State, seen, snapshot
from logger.daemon.storing import Storing
from logger.decode.frames import Raw
from logger.desk import Desk
from logger.errors import StoreError
from logger.live import LiveVan, SnapshotFile
from logger.pipeline.chain import Pipeline
from logger.pipeline.spec import Output
from logger.sources.inbox import Inbox, Notice
from logger.sources.supervisor import Status
from logger.store.rows import Batch, Event
from logger.store.waiting_wal import WaitingWal

log = logging.getLogger(__name__)

ROUND_S = 0.2
"""Real time between two rounds: a value is on its way to a page within a quarter of a
second, and a round of a busy van takes a few milliseconds."""

DESK_ROUNDS = 5
"""The desk is looked at once a second of real time."""

WAL_ROUNDS = 300
"""What waits beside the log is looked at once a minute of real time."""

BALANCE_US = 10 * US_PER_S
"""How often the balance is stored; what lies between it and a power cut is made good
from the stored seconds (see `logger.store.carrying`)."""


@dataclass(frozen=True, slots=True)
class Wired:
    """What a run of the logger is made of.

    Attributes:
        program: Program and version.
        van: What pages have to know of the van.
        clock: What all times are told by.
        inbox: Where everything comes in.
        pipeline: What counts it.
        storing: What stores it.
        dates: What knows the date.
        snapshots: Where pages read how things stand.
        desk: What people entered.
        wal: Knows what waits beside the log.
        statuses: Tells how the sources stand.
    """

    program: str
    van: LiveVan
    clock: Clock
    inbox: Inbox
    pipeline: Pipeline
    storing: Storing
    dates: Dates
    snapshots: SnapshotFile
    desk: Desk
    wal: WaitingWal
    statuses: Callable[[], Sequence[Status]]


@dataclass(slots=True)
class Rounds:
    """The rounds of one run."""

    wired: Wired
    _outputs: list[Output] = field(default_factory=list)
    _raw: list[Raw] = field(default_factory=list)
    _events: list[Event] = field(default_factory=list)
    _second: int = -1
    _balance_us: int = -BALANCE_US
    _trip: Trip | None = None
    _moving: Moving = field(default_factory=Moving)
    _laid_out: int = 0
    _balanced: int = 0
    _seq: int = 0
    _is_shown: bool = True
    _desk_trouble: str = ""
    _remark: str = ""
    _boot: str = field(default_factory=boot_id)

    def __post_init__(self) -> None:
        self._laid_out = self._balanced = self.wired.pipeline.newest_entry

    def go(self) -> None:
        """Make one round."""
        inbox = self.wired.inbox
        if self._seq % DESK_ROUNDS == 0:
            self._look_at_desk()
        # One beat a second is enough: it ends the second that nothing else ends.
        if inbox.now_us() // US_PER_S > self._second:
            inbox.beat()
        self._take()
        now_us = inbox.now_us()
        readings = self.wired.pipeline.readings(now_us)
        if now_us // US_PER_S > self._second:
            self._second = now_us // US_PER_S
            self._events += self.wired.dates.look(readings)
            self._commit(now_us)
        if self._seq % WAL_ROUNDS == 0:
            self._look_at_wal(now_us)
        self._publish(now_us, readings)
        self._seq += 1

    def end(self) -> tuple[int, Batch]:
        """Take the rest and close the books.

        Returns:
            When, microseconds since zero, and what is still to be stored: together with
            the end, so that no power cut falls between the two.
        """
        self.wired.inbox.beat()
        self._take()
        self._outputs += self.wired.pipeline.finish()
        return self.wired.pipeline.newest_us, Batch(
            self._outputs, self._raw, self._events
        )

    def _take(self) -> None:
        taken = self.wired.inbox.take()
        self._outputs += self.wired.pipeline.feed(taken.items)
        self._raw += taken.items
        self._events += [_event(notice) for notice in taken.notices]

    def _commit(self, now_us: int) -> None:
        balance = self.wired.pipeline.balance()
        self._trip = balance.trip
        # With an entry of the desk its number goes along, so that it is booked once.
        if (
            balance.newest_entry > self._balanced
            or now_us - self._balance_us >= BALANCE_US
        ):
            self._outputs.append(balance)
            self._balance_us, self._balanced = now_us, balance.newest_entry
        self._put()

    def _put(self) -> None:
        self.wired.storing.put(Batch(self._outputs, self._raw, self._events))
        self._outputs, self._raw, self._events = [], [], []

    def _look_at_desk(self) -> None:
        try:
            entries = self.wired.desk.after(self._laid_out)
        except StoreError as err:
            # Whatever is wrong with the desk costs the log nothing, and is told once.
            if str(err) != self._desk_trouble:
                log.warning("%s", err)
            self._desk_trouble = str(err)
            return
        self._desk_trouble = ""
        for each in entries:
            self.wired.inbox.entry(
                each.number, each.kind, each.text, each.channel, each.value
            )
            self._laid_out = each.number
            self._events += self.wired.dates.take(each)

    @property
    def told(self) -> Told:
        """Where findings about the log go; any thread may tell one."""
        return Told(self.wired.storing.set_aside, self._take_remark, self._date)

    def _take_remark(self, text: str) -> None:
        self._remark = text

    def _date(self) -> tuple[int, bool]:
        dates = self.wired.dates
        return dates.date_us(self.wired.inbox.now_us()), dates.is_sure

    def _look_at_wal(self, now_us: int) -> None:
        news = self.wired.wal.look()
        if news:
            log.warning("%s", news)
            self._events.append(Event(now_us, "log held open", news))

    def _publish(self, now_us: int, readings: Sequence[Reading]) -> None:
        wired = self.wired
        self._moving = step(self._moving, seen(readings, now_us))
        moment = Moment(
            seq=self._seq,
            uptime_us=uptime_us(),
            run_us=now_us,
            wall_us=wired.dates.date_us(now_us),
            is_clock_sure=wired.dates.is_sure,
            speed=wired.clock.speed,
        )
        state = State(
            program=wired.program,
            van=wired.van,
            run=wired.storing.run,
            readings=readings,
            sources=wired.statuses(),
            trip=self._trip,
            moving=self._moving,
            desk_entry=wired.pipeline.newest_entry,
            not_stored=wired.storing.trouble,
            notice=" ".join(filter(None, (wired.storing.notice, self._remark))),
            boot=self._boot,
        )
        try:
            wired.snapshots.write(snapshot(moment, state))
        except StoreError as err:
            # Pages then say that the logger is silent; the log goes on.
            if self._is_shown:
                log.error("%s", err)
            self._is_shown = False
        else:
            self._is_shown = True


def _event(notice: Notice) -> Event:
    text = f"{notice.source}: {notice.text}" if notice.source else notice.text
    return Event(notice.t_us, notice.kind, text)
