"""The whole chain: items are folded into seconds, and the seconds are booked.

A pure function of its input, as an object that is fed and answers: the same items in
the same order give the same rows, whether they come from a drive, a replay at any speed
or a test, and however they are cut into batches. It knows no clock and no device.
"""

from collections.abc import Iterable, Sequence
from dataclasses import replace

from logger.core.health import Reading
from logger.core.soc import Count
from logger.core.tick import Tick
from logger.core.watch import Watch
from logger.decode.frames import Beat, Item
from logger.pipeline.booking import Booking
from logger.pipeline.faults import Standing
from logger.pipeline.folding import Folding
from logger.pipeline.readings import Standings, readings
from logger.pipeline.spec import Balance, Output, PipelineSpec


class Pipeline:
    """Turns the items of one run into ticks, minutes, trips and a balance.

    Args:
        spec: What has to be known of the van.
        carried: The count as the run before left it, with the time between already
            in its spread; None where there was none.
        newest_entry: Number of the newest entry of the desk that was booked before.
    """

    def __init__(
        self, spec: PipelineSpec, carried: Count | None = None, newest_entry: int = 0
    ) -> None:
        self._folding = Folding(spec, newest_entry)
        self._booking = Booking(spec.booking(), carried)
        self._watch = Watch()

    @property
    def newest_us(self) -> int:
        """Time of the newest item, microseconds since the run's zero."""
        return self._folding.newest_us

    @property
    def newest_entry(self) -> int:
        """Number of the newest entry of the desk that was booked."""
        return self._folding.newest_entry

    def feed(self, items: Iterable[Item]) -> list[Output]:
        """Take the next items of the run; return what they brought to an end.

        Args:
            items: In order of arrival. An item that is a little older than the second
                under way is booked in that second.
        """
        outputs: list[Output] = []
        folding = self._folding
        for item in items:
            tick = folding.turn(item.t_us)
            if tick is not None:
                outputs += self._booked(tick)
            outputs += folding.take(item)
            if isinstance(item, Beat):
                outputs += self._booking.pass_time(item.t_us, folding.open_us)
        return outputs

    def readings(self, now_us: int) -> list[Reading]:
        """Return how every channel stands, whatever it is not yet counted.

        Args:
            now_us: The moment, microseconds since the run's zero.
        """
        booking = self._booking
        standings = Standings(self._watch, booking.band, booking.count)
        return readings(self._folding.series, standings, now_us)

    @property
    def faults(self) -> tuple[Standing, ...]:
        """Every fault that a box of the van tells of itself now."""
        return self._folding.faults

    def balance(self) -> Balance:
        """Return what the run has come to by the end of the last second."""
        folding = self._folding
        return replace(
            self._booking.balance(folding.newest_us),
            refusals=folding.refusals,
            unmatched_frames=folding.unmatched_frames,
            unmatched_lines=folding.unmatched_lines,
            newest_entry=folding.newest_entry,
        )

    def finish(self) -> list[Output]:
        """Return what is still open, and the closing. The run is over.

        Channels that have been silent for too long end in a gap, in the last tick.
        """
        outputs = list(self._booked(self._folding.finish()))
        outputs += self._booking.finish(self.newest_us)
        return [*outputs, self.balance()]

    def give_up(self, end_us: int) -> list[Output]:
        """Return what is still open of a run whose second under way was lost.

        Args:
            end_us: Where it was cut off, microseconds since the run's zero.
        """
        outputs = self._booking.finish(end_us)
        return [*outputs, replace(self.balance(), t_us=end_us)]

    def _booked(self, tick: Tick | None) -> Sequence[Output]:
        """Book a second that is over, if there is one, and look for dead sensors."""
        if tick is None:
            return ()
        outputs = self._booking.add(tick)
        for output in outputs:
            if isinstance(output, Tick):
                self._watch.see(output.cells, output.last_us)
        return outputs
