"""The second half of the chain: seconds in, and what they come to out.

Counts the charge, adds the accounts up, rolls minutes and quarters of an hour up and
finds trips. Knows ticks, the time and a few settings; no frame, no feed and no series,
so that it comes to the same, to the bit, whether the seconds come live or from a log.
"""

from dataclasses import replace

from logger.core.ledger import Tally
from logger.core.rollup import TICKS_PER_MINUTE, Minute, MinuteFold, QuarterFold
from logger.core.silence import Silences
from logger.core.soc import Band, Count
from logger.core.tick import US_PER_S, Cell, Tick
from logger.core.trips import TripFold
from logger.pipeline.counting import Counting
from logger.pipeline.spec import SOC_CELLS, Balance, BookingSpec, Output

SOC_DECIMALS = 6
"""The state of charge in a second is rounded to a millionth of a point: further digits
are noise of the sum, and cost six bytes a second each. The count itself is not."""


class Booking:
    """Books the seconds of one run; is fed and answers.

    Args:
        spec: What has to be known of the van.
        carried: The count as the run before left it, with the time between already
            in its spread; None where there was none.
    """

    def __init__(self, spec: BookingSpec, carried: Count | None = None) -> None:
        self._silences = Silences()
        self._tally = Tally()
        self._minutes = MinuteFold()
        self._quarters = QuarterFold()
        self._counting = Counting(spec, self._silences, carried)
        self._trips = TripFold(spec.key_channel, spec.key_silence_us)

    @property
    def band(self) -> Band | None:
        """The state of charge that a person may be shown; None without a start."""
        return self._counting.band

    @property
    def count(self) -> Count:
        """How far the count has come."""
        return self._counting.count

    def add(self, tick: Tick) -> list[Output]:
        """Book the next second; return it, counted, and what it brought to an end."""
        self._silences.add(tick)
        before = self._counting.begin_second(tick.cells)
        after = self._counting.end_second(tick.cells, tick.last_us)
        if after.band is not None:
            soc = _soc_cells(after.band, self._counting.count)
            tick = replace(tick, cells={**tick.cells, **soc})
        self._tally.add(tick)
        ended = self._rolled(self._minutes.add(tick))
        silent = self._silences.under_way(tick.last_us)
        return [*ended, tick, *self._trips.add(tick, before, after, silent)]

    def pass_time(self, now_us: int, open_us: int) -> list[Output]:
        """End what only time can end: silence is not a reason to wait.

        Changes when something is given out, never what.

        Args:
            now_us: The moment, microseconds since the run's zero.
            open_us: Time of the first sample that is in no second yet; the moment
                where there is none.
        """
        now_s = now_us // US_PER_S
        ended = self._rolled(self._minutes.pass_time(now_s))
        quarter = self._quarters.pass_time(now_s // TICKS_PER_MINUTE)
        ended += [] if quarter is None else [quarter]
        self._counting.pass_time(now_us)
        # The second under way may still belong to the trip, and may hear its key.
        return [*ended, *self._trips.pass_time(open_us)]

    def balance(self, now_us: int) -> Balance:
        """Return what the run has come to by the end of the last second.

        Args:
            now_us: Time of the newest item, microseconds since the run's zero.
        """
        return Balance(
            t_us=now_us,
            totals=self._tally.totals,
            count=self._counting.count,
            sigma_pct=self._counting.sigma_pct,
            trip=self._trips.so_far() if self._trips.is_certain else None,
        )

    def finish(self, end_us: int) -> list[Output]:
        """Return what is still open, without a balance. The run is over.

        Args:
            end_us: Time of its newest item, microseconds since the run's zero.
        """
        self._counting.pass_time(end_us)
        outputs = self._rolled(self._minutes.finish())
        quarter = self._quarters.finish()
        outputs += [] if quarter is None else [quarter]
        return [*outputs, *self._trips.finish()]

    def _rolled(self, minute: Minute | None) -> list[Output]:
        """Return a minute that is over, behind the quarter that it ended, if any."""
        if minute is None:
            return []
        quarter = self._quarters.add(minute)
        return [minute] if quarter is None else [quarter, minute]


def _soc_cells(soc: Band, count: Count) -> dict[str, Cell]:
    exact = (soc.soc_pct, soc.low_pct, soc.high_pct, count.counted_pct or 0.0)
    cells = {}
    for name, exact_pct in zip(SOC_CELLS, exact, strict=True):
        value = round(exact_pct, SOC_DECIMALS)
        cells[name] = Cell(n=1, low=value, high=value, last=value)
    return cells
