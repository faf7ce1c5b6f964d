"""The first half of the chain: items in, seconds of cells and gaps out.

Decodes, chooses between boxes, works out what follows from what was heard, and folds it
into one-second ticks. Knows frames, feeds and series; nothing of charge, trips or
accounts, which `booking` makes of the ticks.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import assert_never

from logger.core.dating import date_text
from logger.core.tick import US_PER_S, Cell, Gap, GapLimit, Tick
from logger.decode.assembly import Assembler
from logger.decode.descriptions import NODE_BITS, Decoder
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
from logger.decode.text_lines import Found, find_form
from logger.pipeline.faults import FaultBook, Standing
from logger.pipeline.series import Binding, Series, bind, plausible, reading
from logger.pipeline.spec import PipelineSpec, Refusal, Remark

MOST_ROUTES = 4096
"""Identifiers whose way is kept: a bus has some hundred, noise may have any number."""


@dataclass(frozen=True, slots=True)
class _Route:
    """What becomes of the frames of one identifier on one bus."""

    decoder: Decoder
    bindings: tuple[Binding, ...]
    place: str
    is_picky: bool


class Folding:
    """Folds the items of one run into seconds; is fed and answers.

    Args:
        spec: What has to be known of the van.
        newest_entry: Number of the newest entry of the desk that was booked before.

    Attributes:
        newest_us: Time of the newest item, microseconds since the run's zero.
        newest_entry: Number of the newest entry of the desk that was booked.
        unmatched_frames: Frames that no description with a feed knows.
        unmatched_lines: Lines that no description knows.
    """

    def __init__(self, spec: PipelineSpec, newest_entry: int = 0) -> None:
        self._spec = spec
        self._bound = bind(spec)
        self._touched: list[Series] = []
        self._index: int | None = None
        self._first_us = 0
        self._last_us = 0
        self.newest_us = 0
        self.newest_entry = newest_entry
        self.unmatched_frames = 0
        self.unmatched_lines = 0
        self._refusals: dict[tuple[str, Reason], Refusal] = {}
        self._routes: dict[tuple[str, int, bool], _Route] = {}
        self._picky = frozenset(
            key
            for key, feeds in spec.message_feeds.items()
            if any(feed.only or feed.address is not None for feed in feeds)
        )
        self._assemblers = {
            bus: Assembler(groups) for bus, groups in spec.long_groups.items()
        }
        self._books = {
            bus: FaultBook(bus, families) for bus, families in spec.faults.items()
        }

    @property
    def series(self) -> Mapping[str, Series]:
        """Every channel under way, by name."""
        return self._bound.series

    @property
    def refusals(self) -> tuple[Refusal, ...]:
        """Everything that was refused, in order of first appearance."""
        return tuple(self._refusals.values())

    @property
    def faults(self) -> tuple[Standing, ...]:
        """Every fault that a box tells of itself now."""
        return tuple(each for book in self._books.values() for each in book.standing)

    @property
    def open_us(self) -> int:
        """Time of the first sample that is in no second yet, or of the newest item."""
        return self._first_us if self._touched else self.newest_us

    def turn(self, t_us: int) -> Tick | None:
        """Let time pass up to the next item; return the second that it ended, if any.

        Args:
            t_us: Time of that item, microseconds since the run's zero. One that is a
                little older than the second under way belongs to that second.
        """
        index = t_us // US_PER_S
        ended = None
        if self._index is None:
            self._index = index
        elif index > self._index:
            ended = self._close()
            self._index = index
        if t_us > self.newest_us:
            self.newest_us = t_us
        return ended

    def take(self, item: Item) -> Sequence[Remark]:
        """Take an item, after its `turn`; return what is worth a line in the log."""
        match item:
            case Frame():
                return self._take_frame(item)
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
                pass  # time has passed, and that was told already
            case _:
                assert_never(item)
        return ()

    def finish(self) -> Tick | None:
        """Return the last second, if there is anything in it. The run is over.

        Channels that have been silent for too long end in a gap, in that second.
        """
        return self._close(self._silences(self.newest_us))

    def _take_frame(self, frame: Frame) -> Sequence[Remark]:
        """Take a frame, or what it makes whole."""
        assembler = self._assemblers.get(frame.bus)
        parts = None if assembler is None else assembler.feed(frame)
        if parts is None:
            return self._take_message(frame)
        remarks: list[Remark] = []
        for part in parts:
            if isinstance(part, Rejected):
                place = f"bus {frame.bus}, message {frame.can_id:08X} of several frames"
                self._refuse(frame.t_us, place, part.reason, part.data.hex(" "))
            else:
                remarks += self._take_message(part)
        return remarks

    def _take_message(self, frame: Frame) -> Sequence[Remark]:
        remarks = self._take_faults(frame)
        key = (frame.bus, frame.can_id, frame.is_extended)
        route = self._routes.get(key) or self._find_route(frame)
        if route is None:
            if remarks is None:
                self.unmatched_frames += 1
            return remarks or ()
        values = route.decoder.decode(frame.data)
        if isinstance(values, Rejected):
            self._refuse(frame.t_us, route.place, values.reason, values.data.hex(" "))
            return remarks or ()
        bindings = route.bindings
        if route.is_picky:
            bindings = _meant(bindings, frame, values)
        self._take_values(frame.t_us, values, bindings, route.place)
        return remarks or ()

    def _find_route(self, frame: Frame) -> "_Route | None":
        """Find what decodes a frame and where it goes; keep it for the next one."""
        table = self._spec.messages.get(frame.bus)
        decoder = None if table is None else table.find(frame)
        if decoder is None:
            return None
        key = (frame.bus, decoder.name)
        place = f"bus {frame.bus}, message {decoder.name}"
        bindings = self._bound.messages[key]
        route = _Route(decoder, bindings, place, key in self._picky)
        if len(self._routes) < MOST_ROUTES:
            self._routes[frame.bus, frame.can_id, frame.is_extended] = route
        return route

    def _take_faults(self, frame: Frame) -> Sequence[Remark] | None:
        """Note the faults that a frame tells; None if it is about something else."""
        book = self._books.get(frame.bus)
        remarks = None if book is None else book.take(frame)
        if isinstance(remarks, Rejected):
            place = f"bus {frame.bus}, faults in {frame.can_id:X}"
            self._refuse(frame.t_us, place, remarks.reason, remarks.data.hex(" "))
            return ()
        return remarks

    def _take_line(self, line: Line) -> None:
        form = find_form(self._spec.lines.get(line.port, ()), line.data)
        bindings = (
            None if form is None else self._bound.lines.get((line.port, form.name))
        )
        if form is None or bindings is None:
            self.unmatched_lines += 1
            return
        place = f"port {line.port}, line {form.name}"
        values = form.decode(line.data)
        if isinstance(values, Rejected):
            sample = values.data.decode("ascii", errors="backslashreplace")
            self._refuse(line.t_us, place, values.reason, sample)
            return
        self._take_values(line.t_us, values, bindings, place)

    def _take_entry(self, entry: Entry) -> Sequence[Remark]:
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
                return ()
            self._add(entry.t_us, value, self._bound.series[entry.channel])
            text = f"{entry.channel} is {value:g}, told by hand."
        return (Remark(entry.t_us, entry.kind, text),)

    def _take_values(
        self,
        t_us: int,
        values: Found,
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
        better = binding.better
        return not better or all(other.is_silent(t_us) for other in better)

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
            value = series.newest
            if follower.result.factor is None:
                value *= follower.row.factor
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

    def _close(self, silences: Sequence[Gap] = ()) -> Tick | None:
        """End the second under way.

        Args:
            silences: Gaps that no sample will end any more.
        """
        if self._index is None or not (self._touched or silences):
            return None
        if not self._touched:
            self._first_us = self.newest_us
        cells: dict[str, Cell] = {}
        gaps = list(silences)
        limits: list[GapLimit] = []
        for series in self._touched:
            fold = series.fold
            cells[fold.channel] = series.close()
            gaps += fold.gaps
            limits += fold.limits
            fold.gaps.clear()
            fold.limits.clear()
        self._touched.clear()
        return Tick(
            index=self._index,
            first_us=self._first_us,
            last_us=max(self._last_us, self.newest_us if silences else 0),
            cells=cells,
            gaps=tuple(gaps),
            limits=tuple(limits),
        )

    def _silences(self, now_us: int) -> list[Gap]:
        """Return the gaps that are still under way."""
        return [
            gap
            for series in self._bound.series.values()
            if (gap := series.fold.silence(now_us)) is not None
        ]


def _meant(
    bindings: Sequence[Binding], frame: Frame, values: Values
) -> tuple[Binding, ...]:
    """Return those of a message's bindings that mean this sender and instance."""
    address = frame.can_id & (0xFF if frame.is_extended else NODE_BITS)
    return tuple(
        each
        for each in bindings
        if each.feed.address in (None, address)
        and all(values[slot] == wanted for slot, wanted in each.feed.only)
    )


def _boot_text(date_us: float) -> str:
    return f"the computer was started at {date_text(int(date_us))}"
