"""The chain itself: decode, choose, tick, count.

A pure function of its input, as an object that is fed and answers: the same items in
the same order give the same rows, whether they come from a drive, a replay at any speed
or a test, and however they are cut into batches. It knows no clock and no device.
"""

from collections.abc import Iterable, Sequence
from typing import assert_never

from logger.core.dating import date_text
from logger.core.health import Reading
from logger.core.ledger import Tally
from logger.core.rollup import TICKS_PER_MINUTE, Minute, MinuteFold, QuarterFold
from logger.core.soc import Band, Count
from logger.core.tick import US_PER_S, Cell, Gap, Tick
from logger.core.trips import KEY_CHANNELS, KEY_SILENCE_US, TripFold
from logger.core.watch import Watch
from logger.decode.frames import (
    Beat,
    Entry,
    Frame,
    Item,
    Line,
    Reason,
    Rejected,
    Row,
    Values,
)
from logger.decode.text_lines import find_form
from logger.pipeline.counting import COUNTED, Counting
from logger.pipeline.readings import Standings, readings
from logger.pipeline.series import Binding, Series, bind, plausible, reading
from logger.pipeline.spec import (
    Balance,
    Output,
    PipelineSpec,
    Refusal,
    Remark,
)


class Pipeline:
    """Turns the items of one run into ticks, minutes, trips and a balance.

    Args:
        spec: What has to be known of the van.
        carried: The count as the run before left it, with the time between already
            in its spread; None where there was none.
        newest_entry: Number of the newest entry of the desk that was booked before.

    Attributes:
        newest_us: Time of the newest item, microseconds since the run's zero.
        newest_entry: Number of the newest entry of the desk that was booked.
    """

    def __init__(
        self, spec: PipelineSpec, carried: Count | None = None, newest_entry: int = 0
    ) -> None:
        self._spec = spec
        self._bound = bind(spec)
        self._touched: list[Series] = []
        self._index: int | None = None
        self._first_us = 0
        self._last_us = 0
        self.newest_us = 0
        self.newest_entry = newest_entry
        self._refusals: dict[tuple[str, Reason], Refusal] = {}
        self._unmatched_frames = 0
        self._unmatched_lines = 0
        self._watch = Watch()
        self._tally = Tally()
        self._minutes = MinuteFold()
        self._quarters = QuarterFold()
        current = self._bound.series.get(COUNTED)
        self._counting = Counting(
            spec, None if current is None else current.fold, carried
        )
        key = next((name for name in KEY_CHANNELS if name in self._bound.series), None)
        declared_us = 0 if key is None else self._bound.series[key].fold.limit_us
        self._trips = TripFold(key, max(KEY_SILENCE_US, declared_us))

    def feed(self, items: Iterable[Item]) -> list[Output]:
        """Take the next items of the run; return what they brought to an end.

        Args:
            items: In order of arrival. An item that is a little older than the second
                under way is booked in that second.
        """
        outputs: list[Output] = []
        for item in items:
            index = item.t_us // US_PER_S
            if self._index is None:
                self._index = index
            elif index > self._index:
                outputs += self._close()
                self._index = index
            self.newest_us = max(self.newest_us, item.t_us)
            outputs += self._take(item)
        return outputs

    def readings(self, now_us: int) -> list[Reading]:
        """Return how every channel stands, whatever it is not yet counted.

        Args:
            now_us: The moment, microseconds since the run's zero.
        """
        standings = Standings(self._watch, self._counting.band, self._counting.count)
        return readings(self._bound.series, standings, now_us)

    def balance(self) -> Balance:
        """Return what the run has come to by the end of the last second."""
        return Balance(
            t_us=self.newest_us,
            totals=self._tally.totals,
            count=self._counting.count,
            sigma_pct=self._counting.sigma_pct,
            refusals=tuple(self._refusals.values()),
            unmatched_frames=self._unmatched_frames,
            unmatched_lines=self._unmatched_lines,
            newest_entry=self.newest_entry,
            trip=self._trips.so_far() if self._trips.is_certain else None,
        )

    def finish(self) -> list[Output]:
        """Return what is still open, and the closing. The run is over.

        Channels that have been silent for too long end in a gap, in the last tick.
        """
        outputs = self._close(self._silences(self.newest_us))
        outputs += self._rolled(self._minutes.finish())
        quarter = self._quarters.finish()
        outputs += [] if quarter is None else [quarter]
        outputs += self._trips.finish()
        outputs.append(self.balance())
        return outputs

    def _pass_time(self, now_us: int) -> list[Output]:
        """End what only time can end: silence is not a reason to wait.

        Changes when something is given out, never what.
        """
        now_s = now_us // US_PER_S
        ended = self._rolled(self._minutes.pass_time(now_s))
        quarter = self._quarters.pass_time(now_s // TICKS_PER_MINUTE)
        ended += [] if quarter is None else [quarter]
        self._counting.pass_time(now_us)
        # The second under way may still belong to the trip, and may hear its key.
        left_us = self._first_us if self._touched else now_us
        return [*ended, *self._trips.pass_time(left_us)]

    def _take(self, item: Item) -> Sequence[Output]:
        match item:
            case Frame():
                self._take_frame(item)
            case Row():
                place = f"table {item.table}"
                self._take_values(
                    item.t_us, item.cells, self._bound.tables[item.table], place
                )
            case Line():
                self._take_line(item)
            case Entry():
                return self._take_entry(item)
            case Beat():
                return self._pass_time(item.t_us)
            case _:
                assert_never(item)
        return ()

    def _take_frame(self, frame: Frame) -> None:
        table = self._spec.messages.get(frame.bus)
        decoder = None if table is None else table.find(frame)
        if decoder is None:
            self._unmatched_frames += 1
            return
        place = f"bus {frame.bus}, message {decoder.name}"
        values = decoder.decode(frame.data)
        if isinstance(values, Rejected):
            self._refuse(frame.t_us, place, values.reason, values.data.hex(" "))
            return
        bindings = self._bound.messages[frame.bus, decoder.name]
        self._take_values(frame.t_us, values, bindings, place)

    def _take_line(self, line: Line) -> None:
        form = find_form(self._spec.lines.get(line.port, ()), line.data)
        bindings = (
            None if form is None else self._bound.lines.get((line.port, form.name))
        )
        if form is None or bindings is None:
            self._unmatched_lines += 1
            return
        place = f"port {line.port}, line {form.name}"
        values = form.decode(line.data)
        if isinstance(values, Rejected):
            sample = values.data.decode("ascii", errors="backslashreplace")
            self._refuse(line.t_us, place, values.reason, sample)
            return
        self._take_values(line.t_us, values, bindings, place)

    def _take_entry(self, entry: Entry) -> list[Output]:
        self.newest_entry = max(self.newest_entry, entry.number)
        text = entry.text
        if entry.kind == "clock":
            text = f"A person gave the date: {_boot_text(entry.value)}."
        elif entry.channel:
            binding = self._bound.told.get(entry.channel)
            value = (
                Reason.NOT_TOLD if binding is None else plausible(entry.value, binding)
            )
            if isinstance(value, Reason):
                place = f"desk, {entry.channel}"
                self._refuse(entry.t_us, place, value, str(entry.value))
                return []
            self._add(entry.t_us, value, self._bound.series[entry.channel])
            text = f"{entry.channel} is {value:g}, told by hand."
        return [Remark(entry.t_us, entry.kind, text)]

    def _take_values(
        self,
        t_us: int,
        values: Values | tuple[str | None, ...],
        bindings: tuple[Binding, ...],
        place: str,
    ) -> None:
        heard: list[Series] = []
        for binding in bindings:
            raw = values[binding.feed.slot]
            if raw is None:
                continue
            value = reading(raw, binding)
            if isinstance(value, Reason):
                self._refuse(
                    t_us, f"{place}, {binding.feed.channel.name}", value, str(raw)
                )
                binding.refuse(t_us, str(raw))
            elif value is not None and self._is_chosen(t_us, binding):
                binding.series.source = binding.source
                self._add(t_us, value, binding.series)
                if binding.series.fold.latest_us == t_us:
                    heard.append(binding.series)
        for series in heard:
            self._follow(t_us, series)

    def _is_chosen(self, t_us: int, binding: Binding) -> bool:
        binding.hear(t_us)
        return all(other.is_silent(t_us) for other in binding.better)

    def _add(self, t_us: int, value: float, series: Series) -> None:
        if not self._touched:
            self._first_us = t_us
        self._last_us = max(self._last_us, t_us)
        self._first_us = min(self._first_us, t_us)
        if series.fold.n == 0:
            self._touched.append(series)
        series.fold.add(t_us, value)

    def _follow(self, t_us: int, series: Series) -> None:
        for follower in series.followers:
            value = follower.row.factor * series.fold.latest
            held = follower.held
            if held is not None:
                held_us = held.fold.latest_us
                if held_us is None or t_us - held_us > held.fold.limit_us:
                    continue
                value *= held.fold.latest
            if follower.row.is_clipped and value < 0.0:
                value = 0.0
            self._add(t_us, value, follower.result)
            self._follow(t_us, follower.result)

    def _refuse(self, t_us: int, place: str, reason: Reason, sample: str) -> None:
        before = self._refusals.get((place, reason))
        self._refusals[place, reason] = Refusal(
            place=place,
            reason=reason,
            n=1 if before is None else before.n + 1,
            first_us=t_us if before is None else before.first_us,
            last_us=t_us,
            sample=sample,
        )

    def _close(self, silences: Sequence[Gap] = ()) -> list[Output]:
        """End the second under way: fold it, count it, and see whether a trip ended.

        Args:
            silences: Gaps that no sample will end any more.
        """
        if self._index is None or not (self._touched or silences):
            return []
        if not self._touched:
            self._first_us = self.newest_us
        cells: dict[str, Cell] = {}
        gaps = list(silences)
        for series in self._touched:
            cells[series.fold.channel] = series.close()
            gaps += series.fold.gaps
            series.fold.gaps.clear()
        self._touched.clear()
        last_us = max(self._last_us, self.newest_us if silences else 0)
        before = self._counting.begin_second(cells)
        after = self._counting.end_second(cells, last_us)
        if after.band is not None:
            cells |= _soc_cells(after.band, self._counting.count)
        tick = Tick(
            index=self._index,
            first_us=self._first_us,
            last_us=last_us,
            cells=cells,
            gaps=tuple(gaps),
        )
        self._watch.see(cells, last_us)
        self._tally.add(tick)
        ended = self._rolled(self._minutes.add(tick))
        under_way = [] if silences else self._silences(last_us)
        return [*ended, tick, *self._trips.add(tick, before, after, under_way)]

    def _rolled(self, minute: Minute | None) -> list[Output]:
        """Return a minute that is over, behind the quarter that it ended, if any."""
        if minute is None:
            return []
        quarter = self._quarters.add(minute)
        return [minute] if quarter is None else [quarter, minute]

    def _silences(self, now_us: int) -> list[Gap]:
        """Return the gaps that are still under way."""
        return [
            gap
            for series in self._bound.series.values()
            if (gap := series.fold.silence(now_us)) is not None
        ]


def _boot_text(date_us: float) -> str:
    return f"the computer was started at {date_text(int(date_us))}"


def _soc_cells(soc: Band, count: Count) -> dict[str, Cell]:
    values = {
        "pack.soc_pct": soc.soc_pct,
        "pack.soc_low_pct": soc.low_pct,
        "pack.soc_high_pct": soc.high_pct,
        "pack.soc_counted_pct": count.counted_pct or 0.0,
    }
    return {
        name: Cell(n=1, low=value, high=value, last=value)
        for name, value in values.items()
    }
