"""Writes one run anew, from its frames or its seconds, within one transaction.

A reader of its own sees the run as it was until that transaction is over.
"""

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from itertools import groupby, islice

from logger.core.ledger import Total
from logger.core.rollup import TICKS_PER_QUARTER
from logger.core.tick import US_PER_S, Tick
from logger.pipeline.booking import Booking
from logger.pipeline.chain import Pipeline
from logger.pipeline.correcting import UntoldError
from logger.pipeline.spec import Output
from logger.store.carrying import carried_into
from logger.store.connect import Connection
from logger.store.identity import van_file
from logger.store.planning import Plan, Source
from logger.store.reader import Log
from logger.store.rows import Batch, Event, Rows
from logger.store.starting import digests_text
from logger.store.whole import whole_ticks

ITEMS_A_BATCH = 5000

FROM_FRAMES = (
    "tick", "span", "block", "gap", "gap_limit",
    "minute", "quarter", "trip", "run_total", "balance", "refusal",
)  # fmt: skip
"""The tables that come out of the frames of a run."""

FROM_SECONDS = ("minute", "quarter", "trip", "run_total", "balance")
"""The tables that come out of its seconds."""

Tell = Callable[[int], None]
"""Takes how many seconds of the run were done since it was called last."""


@dataclass(slots=True)
class Rewriting:
    """Writes one run anew.

    Args:
        connection: The log; a transaction is under way.
        log: The log as it was before that transaction.
        planned: What is to be done.
        tell: Called as seconds are done.
    """

    connection: Connection
    log: Log
    planned: Plan
    tell: Tell

    def rewrite(self) -> None:
        """Write the run.

        Raises:
            UntoldError: It has to be left as it was: nothing of this may be kept.
        """
        if self.planned.source is Source.FRAMES:
            self._play()
        else:
            self._book()
        self._sign()

    def _play(self) -> None:
        plan = self.planned
        carried = carried_into(self.log, plan.run)
        pipeline = Pipeline(plan.spec, carried, plan.newest_entry)
        self._clear(FROM_FRAMES)
        items = self.log.raw(plan.run.id)
        told_s = 0
        while chunk := list(islice(items, ITEMS_A_BATCH)):
            self._insert(pipeline.feed(chunk))
            now_s = pipeline.newest_us // US_PER_S
            self.tell(now_s - told_s)
            told_s = now_s
        # The second under way when the power went was lost, and is so again.
        is_whole = not plan.was_cut_off
        self._insert(pipeline.finish() if is_whole else pipeline.give_up(plan.end_us))

    def _book(self) -> None:
        plan = self.planned
        run, end_us = plan.run, plan.end_us
        booking = Booking(plan.booking, carried_into(self.log, run))
        self._clear(FROM_SECONDS)
        for quarter, ticks in groupby(whole_ticks(self.log, run.id), _quarter):
            self._book_quarter(booking, quarter, ticks)
            self.tell(TICKS_PER_QUARTER)
        last = booking.finish(end_us)
        balance = replace(
            booking.balance(end_us),
            unmatched_frames=run.unmatched_frames,
            unmatched_lines=run.unmatched_lines,
            newest_entry=plan.newest_entry,
        )
        _check_whole(self.log.totals(run.id), balance.totals)
        self._insert([*last, balance])

    def _book_quarter(
        self, booking: Booking, quarter: int, ticks: Iterator[Tick]
    ) -> None:
        outputs: list[Output] = []
        is_same = True
        for tick in ticks:
            booked = booking.add(self.planned.correction.of(tick))
            outputs += booked
            for output in booked:
                if isinstance(output, Tick):
                    is_same = is_same and output.cells == tick.cells
        if is_same:
            outputs = [each for each in outputs if not isinstance(each, Tick)]
        else:
            self._clear_quarter(quarter)
        self._insert(outputs)

    def _sign(self) -> None:
        """Note what the run is counted by now, and what was done."""
        plan = self.planned
        run = plan.run
        if plan.van is not None:
            self.connection.execute(
                "UPDATE run SET van_file = ?, descriptions = ? WHERE id = ?",
                (
                    van_file(self.connection, plan.van.text),
                    digests_text(plan.van),
                    run.id,
                ),
            )
        if plan.changed and plan.source is not None:
            words = f"From {plan.source.value}: {'; '.join(plan.changed)}."
            event = Event(plan.end_us, "recomputed", words)
            Rows(self.connection).insert(run.id, Batch(events=[event]))

    def _insert(self, outputs: list[Output]) -> None:
        Rows(self.connection).insert(self.planned.run.id, Batch(outputs))

    def _clear(self, tables: tuple[str, ...]) -> None:
        for table in tables:
            self.connection.execute(
                f"DELETE FROM {table} WHERE run = ?",  # noqa: S608 (our own names)
                (self.planned.run.id,),
            )

    def _clear_quarter(self, quarter: int) -> None:
        """Take the seconds of a quarter out; they come back as rows a second."""
        run = self.planned.run.id
        first = quarter * TICKS_PER_QUARTER
        self.connection.execute(
            "DELETE FROM tick WHERE run = ? AND tick BETWEEN ? AND ?",
            (run, first, first + TICKS_PER_QUARTER - 1),
        )
        self.connection.execute(
            "DELETE FROM block WHERE channel IN (SELECT id FROM channel)"
            " AND run = ? AND quarter = ?",
            (run, quarter),
        )
        self.connection.execute(
            "DELETE FROM span WHERE run = ? AND quarter = ?", (run, quarter)
        )


def _quarter(tick: Tick) -> int:
    return tick.index // TICKS_PER_QUARTER


def _check_whole(before: Mapping[str, Total], after: Mapping[str, Total]) -> None:
    """See that the seconds make up all the time that was booked once.

    Raises:
        UntoldError: Some were never stored, or were lost.
    """
    for name, total in before.items():
        now = after.get(name, Total())
        if (now.covered_us, now.skipped_us) != (total.covered_us, total.skipped_us):
            missing_s = (total.covered_us - now.covered_us) / US_PER_S
            raise UntoldError(f"{missing_s:.1f} s of {name} are not among its seconds")
