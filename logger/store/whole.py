"""The seconds of a run just as the pipeline gave them, with gaps and gap limits.

What a booking of the stored seconds is made from. Knows rows; works nothing out.
"""

from collections.abc import Iterator
from dataclasses import replace

from logger.core.tick import Gap, GapLimit, Tick
from logger.store.reader import LAST_TICK, Log


def whole_ticks(
    log: Log, run: int, first: int = 0, last: int = LAST_TICK
) -> Iterator[Tick]:
    """Yield the ticks of a run in their order, with their gaps and limits.

    Args:
        log: The log.
        run: The run; gaps of a log of version 2 are in no second and left out.
        first: Index of the first tick wanted.
        last: Index of the last one wanted.
    """
    gaps: dict[int, list[Gap]] = {}
    wanted = (run, first, last)
    for index, name, start_us, end_us in _rows(log, "gap", "start_us, end_us", wanted):
        gaps.setdefault(index, []).append(Gap(name, start_us, end_us))
    limits: dict[int, list[GapLimit]] = {}
    rows = _rows(log, "gap_limit", "since_us, limit_us", wanted)
    for index, name, since_us, limit_us in rows:
        limits.setdefault(index, []).append(GapLimit(name, since_us, limit_us))
    for tick in log.ticks(run, first, last):
        yield replace(
            tick,
            gaps=tuple(gaps.get(tick.index, ())),
            limits=tuple(limits.get(tick.index, ())),
        )


def _rows(
    log: Log, table: str, columns: str, wanted: tuple[int, int, int]
) -> list[tuple[int, str, int, int]]:
    return log.connection.execute(
        f"SELECT tick, channel.name, {columns} FROM {table}"  # noqa: S608 (our names)
        f" JOIN channel ON channel.id = {table}.channel"
        " WHERE run = ? AND tick BETWEEN ? AND ? ORDER BY tick, channel, 3",
        wanted,
    ).fetchall()
