"""What channels did, stretch by stretch, in as few rows as tell it.

Quarters of an hour as far as they are stored, then minutes, then seconds: a run that is
under way, was cut off, or was written before there were quarters is told to its end all
the same. A quarter that has to be cut (at midnight, at the end of a range) is told by
its minutes, where these are still kept; a minute belongs to where it begins.
"""

from collections import defaultdict
from collections.abc import Callable, Collection, Iterator
from dataclasses import dataclass

from logger.core.rollup import MINUTES_PER_QUARTER, TICKS_PER_MINUTE
from logger.core.tick import US_PER_S, Cell
from logger.store.export.choice import Extract, Part
from logger.store.export.queries import (
    first_minute,
    minutes_of,
    newest_minute,
    quarter_ends,
)

MINUTE_US = TICKS_PER_MINUTE * US_PER_S
QUARTER_US = MINUTES_PER_QUARTER * MINUTE_US
QUARTERS_A_PAGE = 96
"""A day at once."""

MINUTES_A_PAGE = 240
"""Four hours at once: about as many rows as a day of quarters gives."""


@dataclass(frozen=True, slots=True)
class Piece:
    """What one channel did in one stretch.

    Attributes:
        channel: Name of the channel.
        t_us: Begin of the stretch, microseconds since the run's zero.
        cell: What it did.
    """

    channel: str
    t_us: int
    cell: Cell


IsCut = Callable[[int], bool]
"""Whether the quarter of an hour that begins then has to be told by its minutes."""


def pieces(
    extract: Extract, part: Part, channels: Collection[str], is_cut: IsCut
) -> Iterator[Piece]:
    """Yield what channels did over a part of the log, in order of time.

    Args:
        extract: Where from.
        part: One of its parts.
        channels: Names of the channels.
        is_cut: Which quarters of an hour have to be told by their minutes.
    """
    found = _pieces(extract, part, channels, is_cut)
    return (piece for piece in found if part.holds(piece.t_us))


def _pieces(
    extract: Extract, part: Part, channels: Collection[str], is_cut: IsCut
) -> Iterator[Piece]:
    log, run = extract.log, part.run.id
    oldest, newest = quarter_ends(log, run, channels)
    first, last = part.of_length(QUARTER_US)
    for page in range(max(first, oldest), min(last, newest) + 1, QUARTERS_A_PAGE):
        until = min(page + QUARTERS_A_PAGE - 1, newest, last)
        yield from _quarters(extract, part, channels, is_cut, (page, until))
        extract.reached(part, page * QUARTER_US)
    yield from minutes(extract, part, channels, (newest + 1) * MINUTES_PER_QUARTER)
    begins = (newest_minute(log, run) + 1) * TICKS_PER_MINUTE
    first, last = part.of_length(US_PER_S)
    for tick in log.ticks(run, max(first, begins), last):
        extract.reached(part, tick.last_us)
        for channel in channels:
            if channel in tick.cells:
                yield Piece(channel, tick.index * US_PER_S, tick.cells[channel])


def _quarters(
    extract: Extract,
    part: Part,
    channels: Collection[str],
    is_cut: IsCut,
    span: tuple[int, int],
) -> Iterator[Piece]:
    """Yield one page of quarters, those to be cut by their minutes."""
    by_quarter: dict[int, dict[str, Cell]] = defaultdict(dict)
    for channel in channels:
        for quarter, cell in extract.log.quarters(part.run.id, channel, *span):
            by_quarter[quarter][channel] = cell
    for quarter, cells in sorted(by_quarter.items()):
        t_us = quarter * QUARTER_US
        is_edge = t_us < part.start_us or part.end_us < t_us + QUARTER_US
        if is_edge or is_cut(t_us):
            yield from _cut(extract, part, quarter, cells)
        else:
            for channel, cell in cells.items():
                yield Piece(channel, t_us, cell)


def _cut(
    extract: Extract, part: Part, quarter: int, cells: dict[str, Cell]
) -> Iterator[Piece]:
    first = quarter * MINUTES_PER_QUARTER
    rows = minutes_of(
        extract.log, part.run.id, cells, first, first + MINUTES_PER_QUARTER - 1
    )
    counted = dict.fromkeys(cells, 0)
    for _, channel, cell in rows:
        counted[channel] += cell.n
    # Where some minutes are gone, the quarter alone is whole.
    whole = {channel for channel, n in counted.items() if n == cells[channel].n}
    for channel in cells.keys() - whole:
        yield Piece(channel, quarter * QUARTER_US, cells[channel])
    for minute, channel, cell in rows:
        if channel in whole:
            yield Piece(channel, minute * MINUTE_US, cell)


def minutes(
    extract: Extract, part: Part, channels: Collection[str], first: int = 0
) -> Iterator[Piece]:
    """Yield the stored minutes of channels over a part of the log, in order of time.

    Args:
        extract: Where from.
        part: One of its parts.
        channels: Names of the channels.
        first: Index of the first minute wanted.
    """
    log, run = extract.log, part.run.id
    begins, last = part.of_length(MINUTE_US)
    page = first_minute(log, run, max(first, begins))
    while page is not None and page <= last:
        until = min(page + MINUTES_A_PAGE - 1, last)
        for minute, channel, cell in minutes_of(log, run, channels, page, until):
            yield Piece(channel, minute * MINUTE_US, cell)
        extract.reached(part, until * MINUTE_US)
        page = first_minute(log, run, until + 1)
