"""From what a run can be worked out again: its frames, its seconds, or not at all.

Looks at what is kept and at what was corrected; writes nothing.
"""

from dataclasses import dataclass, field
from enum import Enum

from logger.core.derived import Derived, derive
from logger.errors import ConfigError
from logger.pipeline.correcting import Correction, UntoldError, correction
from logger.pipeline.spec import BookingSpec, PipelineSpec
from logger.store.cut_off import CUT_OFF
from logger.store.reader import Log, RunRow, iso_utc
from logger.store.starting import digests_text
from logger.van.binding import booking_spec, metres_per_motor_turn
from logger.van.difference import Difference, difference
from logger.van.reading import Van, read_settings
from logger.van.settings import Settings


class Source(Enum):
    """What a run is worked out again from."""

    FRAMES = "the frames"
    SECONDS = "the seconds"


@dataclass(frozen=True, slots=True)
class Plan:
    """How one run is worked out again.

    Attributes:
        run: The run.
        source: From what; None where it has to be left as it is.
        why_left: Why, in words; empty otherwise.
        changed: What was corrected, in words.
        van: The corrected van; None where nothing was.
        booking: What booking has to know.
        correction: What the correction makes of its seconds.
        was_cut_off: Its last second was lost.
        newest_entry: Number of the newest entry of the desk that it booked.
    """

    run: RunRow
    source: Source | None
    why_left: str = ""
    changed: tuple[str, ...] = ()
    van: Van | None = None
    booking: BookingSpec = field(default_factory=BookingSpec)
    correction: Correction = field(default_factory=Correction)
    was_cut_off: bool = False
    newest_entry: int = 0

    @property
    def spec(self) -> PipelineSpec:
        """What the whole chain has to know; of a plan from frames only."""
        return PipelineSpec() if self.van is None else self.van.spec

    @property
    def end_us(self) -> int:
        """Newest item that its books cover, microseconds since the run's zero."""
        balance_us = self.run.balance_us
        return (self.run.end_us or 0) if balance_us is None else balance_us


def plan(log: Log, run: RunRow, van: Van | None) -> Plan:
    """Return how a run is worked out again.

    Args:
        log: The log.
        run: The run.
        van: The corrected van; None to go by the run's own van file.
    """
    own = _Kept(log, run)
    if run.end_us is None:
        return Plan(run, None, "it was never ended")
    try:
        before = read_settings(log.van_text(run.id))
    except ConfigError as err:
        if van is not None and own.has_all_frames():
            return own.plan(Source.FRAMES, van, ())
        return Plan(run, None, f"its own van file is not sound ({err})")
    differs = difference(before, before if van is None else van.settings)
    changed, untold = list(differs.told), list(differs.untold)
    if van is not None and own.descriptions() != digests_text(van):
        untold.append("other descriptions")
        changed.append("other descriptions")
    if van is not None and own.has_all_frames():
        return own.plan(Source.FRAMES, van, tuple(changed))
    why_left = own.why_no_seconds()
    if untold and not why_left:
        why_left = f"{untold[0]}: that cannot be told from seconds"
    if why_left:
        return Plan(run, None, why_left, tuple(changed))
    try:
        corrected = own.correction(differs, before, van)
    except UntoldError as err:
        why_left = f"{err}: that cannot be told from seconds"
        return Plan(run, None, why_left, tuple(changed))
    settings = before if van is None else van.settings
    return own.plan(
        Source.SECONDS, van, tuple(changed), booking_spec(settings), corrected
    )


@dataclass(frozen=True, slots=True)
class _Kept:
    """What a log still keeps of one run."""

    log: Log
    run: RunRow

    def plan(
        self,
        source: Source,
        van: Van | None,
        changed: tuple[str, ...],
        booking: BookingSpec | None = None,
        corrected: Correction | None = None,
    ) -> Plan:
        events = self.log.events(self.run.id)
        return Plan(
            run=self.run,
            source=source,
            changed=changed,
            van=van,
            booking=booking or BookingSpec(),
            correction=corrected or Correction(),
            was_cut_off=any(event.kind == CUT_OFF for event in events),
            newest_entry=self._one(
                "SELECT coalesce(max(newest_entry), 0) FROM balance WHERE run = ?"
            ),
        )

    def has_all_frames(self) -> bool:
        """Return whether every frame, line, beat and entry of the run is there."""
        blocks = self.log.connection.execute(
            "SELECT first_seq, last_seq, n, last_us FROM raw_block WHERE run = ?"
            " ORDER BY first_seq",
            (self.run.id,),
        ).fetchall()
        expected, newest_us = 0, -1
        for first_seq, last_seq, n, last_us in blocks:
            if last_seq < expected:
                continue  # stored again, and within another one by now
            if first_seq != expected or n != last_seq - first_seq + 1:
                return False
            expected, newest_us = last_seq + 1, max(newest_us, last_us)
        newest = self.log.last_tick(self.run.id)
        books_us = max(
            0 if newest is None else newest.last_us, self.run.balance_us or 0
        )
        return bool(blocks) and newest_us >= books_us and self._shed("frames") is None

    def why_no_seconds(self) -> str:
        """Return why the run cannot be booked from its seconds; empty if it can."""
        until_us = self._shed("seconds")
        if until_us is not None:
            date = iso_utc(self.run.date_us(until_us))
            return f"its seconds up to {date or f'{until_us / 1e6:.0f} s'} are gone"
        if self.log.has_ticks(self.run.id) and not self.log.gap_limits(self.run.id):
            return "an earlier version stored it, without what its seconds need"
        return ""

    def correction(
        self, differs: Difference, before: Settings, van: Van | None
    ) -> Correction:
        """Return what the differences make of the run's seconds.

        Raises:
            UntoldError: Not all of it can be told from them.
        """
        for refusal in self.log.refusals(self.run.id):
            for channel in differs.gains:
                if refusal.place.endswith(f", {channel}"):
                    raise UntoldError(f"values of {channel} had been refused")
        after = before if van is None else van.settings
        return correction(differs.gains, _worked_out(before), _worked_out(after))

    def descriptions(self) -> str:
        """Return the digests of the descriptions that the run was decoded by."""
        row = self.log.connection.execute(
            "SELECT descriptions FROM run WHERE id = ?", (self.run.id,)
        ).fetchone()
        return str(row[0])

    def _shed(self, what: str) -> int | None:
        row = self.log.connection.execute(
            "SELECT until_us FROM shed WHERE run = ? AND what = ?", (self.run.id, what)
        ).fetchone()
        return None if row is None else int(row[0])

    def _one(self, query: str) -> int:
        row = self.log.connection.execute(query, (self.run.id,)).fetchone()
        return int(row[0])


def _worked_out(settings: Settings) -> list[Derived]:
    fed = {feed.channel for feed in settings.feeds}
    return derive(fed, metres_per_motor_turn(settings))
