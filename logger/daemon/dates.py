"""The date of the run under way: asks the clocks, and hands what is confirmed on.

Decides nothing (see `logger.core.dating`) and never waits: a new date goes behind what
waits for the card.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from logger.clock import Clock, boot_id
from logger.core.dating import Answer, Dating, Look, look, told_by_person
from logger.core.health import Reading
from logger.core.satellites import satellite_date
from logger.daemon.storing import Storing
from logger.desk import CLOCK, DeskEntry
from logger.sources.inbox import Inbox
from logger.store.rows import Event


@dataclass(slots=True)
class Dates:
    """What is known of the date of one run.

    Args:
        clock: Its date and its steady time are compared.
        inbox: Its zero is the run's.
        storing: Takes a confirmed date.
        dating: How far the date is known as the run begins.
        zero_uptime_us: Uptime of the computer at the run's zero, microseconds; None
            for an invented time, which no person can set right.
    """

    clock: Clock
    inbox: Inbox
    storing: Storing
    dating: Dating
    zero_uptime_us: int | None

    @property
    def is_sure(self) -> bool:
        """True once the date is confirmed."""
        return self.dating.is_sure

    def date_us(self, t_us: int) -> int:
        """Return the date of a moment, microseconds since the Unix epoch.

        By the run's zero, not by the wall clock: pages and log then tell the same, and
        no step of that clock is seen in them.

        Args:
            t_us: The moment, microseconds since the run's zero.
        """
        return self.dating.date.start_us + t_us

    def look(self, readings: Iterable[Reading]) -> Sequence[Event]:
        """Look at the clocks, once a second; return what is worth a line in the log.

        Args:
            readings: How every channel stands just now.
        """
        # Asked first: a clock that is set right in between was not sure yet.
        is_sure = self.clock.is_wall_sure()
        moment = self.clock.moment()
        seen = Look(
            t_us=self.inbox.at_us(moment.mono_us),
            wall_us=moment.wall_us,
            is_wall_sure=is_sure,
            satellites=satellite_date(readings),
        )
        return self._keep(look(self.dating, seen), seen.t_us)

    def take(self, entry: DeskEntry) -> Sequence[Event]:
        """Take the date that a person gave; other entries are none of its business.

        Args:
            entry: An entry of the desk that was just laid out for booking.
        """
        if entry.kind != CLOCK:
            return ()
        t_us = self.inbox.now_us()
        if self.zero_uptime_us is None or entry.text != boot_id():
            text = "It was given to another start of the computer, or to a demo."
            return [Event(t_us, "date not taken", text)]
        zero_us = int(entry.value) + self.zero_uptime_us
        return self._keep(told_by_person(self.dating, zero_us, t_us), t_us)

    def _keep(self, answer: Answer, t_us: int) -> Sequence[Event]:
        self.dating = answer.dating
        if answer.date is not None:
            self.storing.redate(answer.date)
        return [Event(t_us, told.kind, told.text) for told in answer.told]
