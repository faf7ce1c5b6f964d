"""Minutes and quarters of an hour out of ticks: what people read, and charts show.

Knows only cells. The mean is weighted by the time that was counted, so that the mean
times that time is the integral again.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field

from logger.core.tick import US_PER_S, Cell, Tick

TICKS_PER_MINUTE = 60
MINUTES_PER_QUARTER = 15
TICKS_PER_QUARTER = TICKS_PER_MINUTE * MINUTES_PER_QUARTER


@dataclass(frozen=True, slots=True)
class Minute:
    """What every channel did in one minute of a run.

    Attributes:
        index: Whole minutes since the run's zero.
        cells: By channel name; `n` counts samples, not ticks.
    """

    index: int
    cells: Mapping[str, Cell]


@dataclass(frozen=True, slots=True)
class Quarter:
    """What every channel did in one quarter of an hour of a run.

    Attributes:
        index: Whole quarters of an hour since the run's zero.
        cells: By channel name; `n` counts samples, not ticks.
    """

    index: int
    cells: Mapping[str, Cell]


def join_cells(earlier: Cell, later: Cell) -> Cell:
    """Return what two stretches of one channel come to, one after the other."""
    return Cell(
        n=earlier.n + later.n,
        low=min(earlier.low, later.low),
        high=max(earlier.high, later.high),
        last=later.last,
        integral=earlier.integral + later.integral,
        covered_us=earlier.covered_us + later.covered_us,
    )


def covered_s(cell: Cell) -> float:
    """Return the time that a cell's integral covers, s."""
    return cell.covered_us / US_PER_S


@dataclass(slots=True)
class MinuteFold:
    """Folds ticks in their order into minutes; is fed and answers."""

    _index: int = -1
    _cells: dict[str, Cell] = field(default_factory=dict)

    def add(self, tick: Tick) -> Minute | None:
        """Take the next tick; return the minute that it brought to an end, if any."""
        index = tick.index // TICKS_PER_MINUTE
        done = self.finish() if index != self._index else None
        self._index = index
        for name, cell in tick.cells.items():
            earlier = self._cells.get(name)
            self._cells[name] = cell if earlier is None else join_cells(earlier, cell)
        return done

    def pass_time(self, tick_index: int) -> Minute | None:
        """Return the minute under way if it is over by a second, whole s since zero."""
        return self.finish() if tick_index // TICKS_PER_MINUTE > self._index else None

    def finish(self) -> Minute | None:
        """Return the minute under way, if it has anything, and begin anew."""
        if not self._cells:
            return None
        minute = Minute(index=self._index, cells=self._cells)
        self._cells = {}
        return minute


@dataclass(slots=True)
class QuarterFold:
    """Folds minutes in their order into quarters of an hour; is fed and answers."""

    _index: int = -1
    _cells: dict[str, Cell] = field(default_factory=dict)

    def add(self, minute: Minute) -> Quarter | None:
        """Take the next minute; return the quarter that it ended, if any."""
        done = self.pass_time(minute.index)
        self._index = minute.index // MINUTES_PER_QUARTER
        for name, cell in minute.cells.items():
            earlier = self._cells.get(name)
            self._cells[name] = cell if earlier is None else join_cells(earlier, cell)
        return done

    def pass_time(self, minute_index: int) -> Quarter | None:
        """Return the quarter under way if it is over by a minute of the run."""
        if minute_index // MINUTES_PER_QUARTER > self._index:
            return self.finish()
        return None

    def finish(self) -> Quarter | None:
        """Return the quarter under way, if it has anything, and begin anew."""
        if not self._cells:
            return None
        quarter = Quarter(index=self._index, cells=self._cells)
        self._cells = {}
        return quarter
