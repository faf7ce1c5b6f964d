"""Edge: the channels of a stretch of a run, read once and thinned for a chart."""

from collections.abc import Mapping, Sequence

from dashboard.buckets import Column, Grid, bucketed
from logger.core.tick import Cell
from logger.store.reader import Log

TAIL_TICKS = 60
"""No beat slower than this is learned, so no interval reaches further back."""


def read_columns(
    log: Log, run: int, names: Sequence[str], over: Grid
) -> Mapping[str, Column]:
    """Return channels over a grid; those that were never heard in it are left out.

    Args:
        log: The log.
        run: Number of the run.
        names: Names of the channels.
        over: The buckets.
    """
    cells: dict[str, list[tuple[int, Cell]]] = {name: [] for name in names}
    if over.unit_s > 1:
        for name in names:
            cells[name] = log.minutes(run, name, over.first, over.last + 1)
    else:
        for tick in log.ticks(run, over.first, over.last + TAIL_TICKS):
            for name in cells.keys() & tick.cells.keys():
                cells[name].append((tick.index, tick.cells[name]))
    return {name: bucketed(found, over) for name, found in cells.items() if found}
