"""What waits for the card, and what is given up when too much does.

Weighed, not counted: a minute of a busy bus is heavier than an hour of a parked van.
Frames go first, the oldest before the younger, then seconds, so that minutes, trips
and sums outlive a long outage.
"""

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field, replace

from logger.core.dating import Dated
from logger.core.tick import Tick
from logger.pipeline.spec import Balance
from logger.store.rows import Batch, Event

MOST_BYTES = 64 << 20
"""A small computer can spare so much (design judgement)."""

MOST_SECONDS = 600
"""Ten minutes of seconds are held, whatever they weigh."""

BYTES_AN_ITEM = 240
"""A frame with its time, number and bytes, as measured at 4,000 frames/s."""

BYTES_A_CELL = 160


def weight(batch: Batch) -> int:
    """Return about how many bytes of memory a batch takes."""
    cells = sum(
        len(output.cells) for output in batch.outputs if hasattr(output, "cells")
    )
    return BYTES_AN_ITEM * (len(batch.raw) + len(batch.events)) + BYTES_A_CELL * cells


@dataclass(slots=True)
class Lost:
    """What was given up since it was last told."""

    seconds: int = 0
    items: int = 0
    first_us: int | None = None

    def note(self, batch: Batch) -> None:
        """Count what a batch loses."""
        ticks = [output for output in batch.outputs if isinstance(output, Tick)]
        self.seconds += len(ticks)
        self.items += len(batch.raw)
        times = [item.t_us for item in batch.raw[:1]]
        times += [tick.first_us for tick in ticks[:1]]
        known = times if self.first_us is None else [*times, self.first_us]
        self.first_us = min(known, default=None)

    def event(self) -> Event | None:
        """Return what is to be told, and begin anew; None where nothing was lost."""
        if not self:
            return None
        text = f"The card took nothing for too long: {self.text} were not stored."
        event = Event(self.first_us or 0, "not stored", text)
        self.seconds, self.items, self.first_us = 0, 0, None
        return event

    def __bool__(self) -> bool:
        return bool(self.seconds or self.items)

    @property
    def text(self) -> str:
        """What was lost, in words."""
        parts = [f"{self.seconds} s"] if self.seconds else []
        parts += [f"{self.items} frames and lines"] if self.items else []
        return " and ".join(parts)


@dataclass(slots=True)
class Waiting:
    """Batches and dates in their order; the first is under way in the writer's hands.

    Attributes:
        lost: What was given up since it was last told.
    """

    lost: Lost = field(default_factory=Lost)
    _items: deque[Batch | Dated] = field(default_factory=deque)
    _bytes: int = 0

    def __len__(self) -> int:
        return len(self._items)

    @property
    def first(self) -> Batch | Dated:
        """What is to be stored next."""
        return self._items[0]

    def add(self, item: Batch | Dated) -> None:
        """Put something at the end; give up what there is no room for."""
        self._items.append(item)
        if isinstance(item, Batch):
            self._bytes += weight(item)
            self._make_room()

    def add_next(self, item: Batch) -> None:
        """Put something right behind the first."""
        self._items.insert(min(1, len(self._items)), item)
        self._bytes += weight(item)

    def done(self) -> None:
        """Take the first one off."""
        item = self._items.popleft()
        if isinstance(item, Batch):
            self._bytes -= weight(item)

    def clear(self) -> None:
        """Give everything up."""
        self._items.clear()
        self._bytes = 0

    def _make_room(self) -> None:
        for lighten in (_without_raw, _without_seconds):
            for place in range(1, len(self._items)):
                if self._bytes <= MOST_BYTES:
                    return self._shorten()
                self._lighten(place, lighten)
        return self._shorten()

    def _shorten(self) -> None:
        """Join the two oldest behind the first where there are too many."""
        if len(self._items) <= MOST_SECONDS:
            return
        batches = (
            place
            for place in range(1, len(self._items))
            if isinstance(self._items[place], Batch)
        )
        older, newer = next(batches), next(batches)
        for place in (older, newer):
            self._lighten(place, _without_raw)
            self._lighten(place, _without_seconds)
        first, second = self._items[older], self._items[newer]
        assert isinstance(first, Batch)
        assert isinstance(second, Batch)
        self._items[newer] = _joined(first, second)
        del self._items[older]

    def _lighten(self, place: int, lighten: "Lighten") -> None:
        item = self._items[place]
        if isinstance(item, Batch):
            kept, gone = lighten(item)
            self.lost.note(gone)
            self._bytes += weight(kept) - weight(item)
            self._items[place] = kept


Lighten = Callable[[Batch], tuple[Batch, Batch]]
"""Parts a batch into what is kept and what is given up."""


def _without_raw(batch: Batch) -> tuple[Batch, Batch]:
    return replace(batch, raw=()), Batch(raw=batch.raw)


def _without_seconds(batch: Batch) -> tuple[Batch, Batch]:
    ticks = [each for each in batch.outputs if isinstance(each, Tick)]
    others = [each for each in batch.outputs if not isinstance(each, Tick)]
    return replace(batch, outputs=others), Batch(ticks)


def _joined(first: Batch, second: Batch) -> Batch:
    """Return two batches as one; of the balances only the newest counts."""
    has_newer = any(isinstance(each, Balance) for each in second.outputs)
    kept = [
        each for each in first.outputs if not (has_newer and isinstance(each, Balance))
    ]
    return Batch(
        [*kept, *second.outputs],
        [*first.raw, *second.raw],
        [*first.events, *second.events],
        [*first.pins, *second.pins],
    )
