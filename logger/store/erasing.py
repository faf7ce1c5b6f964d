"""Takes out of a log what its people do not want in it: a trip, places, an owner.

The books stay: sums of runs, the count and, but for an erased trip, the trips. Each
step is one transaction, and done again after a kill it comes to the same. What was
deleted is left in free pages until the file is written anew (see
`logger.store.sweeping`).
"""

from collections.abc import Callable, Collection, Iterator
from dataclasses import replace
from functools import partial

from logger.core.tick import US_PER_S
from logger.decode.frames import Entry, Frame, Line, Raw
from logger.store import sweeping
from logger.store.connect import Connection, in_transaction
from logger.store.folding import Quarter, Second
from logger.store.nameless import without_names
from logger.store.packed import pack
from logger.store.private import NOTES, PLACES, POSITIONS, mark, mark_stretch
from logger.store.refilling import empty, refill
from logger.store.remaking import remake_sums
from logger.store.seconds import quarters, walk
from logger.van.settings import FeedSection
from logger.van.stored import stored_van

KeepSecond = Callable[[int, Second], Second | None]
"""Returns what is kept in the place of a second, by its index; None for nothing."""


def runs_of(connection: Connection) -> list[int]:
    """Return the numbers of all runs."""
    return [int(run) for (run,) in connection.execute("SELECT id FROM run").fetchall()]


def erase_trip(
    connection: Connection, run: int, start_us: int, end_us: int
) -> Iterator[str]:
    """Erase a trip and all that was heard while it lasted, step by step.

    Args:
        connection: The log; no transaction is under way.
        run: Its run.
        start_us: Its start, microseconds since the run's zero.
        end_us: Its end.
    """
    sweeping.begin(connection, run)
    in_transaction(connection, partial(mark_stretch, connection, run, start_us, end_us))
    first, last = start_us // US_PER_S, end_us // US_PER_S

    def keep(index: int, second: Second) -> Second | None:
        return None if first <= index <= last else second

    yield from _rewrite(connection, run, keep, first, last)
    in_transaction(connection, partial(remake_sums, connection, run, first, last))
    yield "sums"

    def outside(item: Raw) -> Raw | None:
        return None if start_us <= item.t_us <= end_us else item

    yield from refill(connection, run, outside, (start_us, end_us))
    in_transaction(connection, partial(_erase_rows, connection, run, start_us, end_us))
    yield "done"


def _erase_rows(connection: Connection, run: int, start_us: int, end_us: int) -> None:
    stretch = (run, end_us, start_us)
    for table in ("gap", "pin"):
        connection.execute(
            f"DELETE FROM {table} WHERE run = ?"  # noqa: S608 (our own names)
            " AND start_us <= ? AND end_us >= ?",
            stretch,
        )
    connection.execute(
        "DELETE FROM event WHERE run = ? AND t_us <= ? AND t_us >= ?", stretch
    )
    connection.execute(
        "UPDATE refusal SET sample = '' WHERE run = ? AND first_us <= ?"
        " AND last_us >= ?",
        stretch,
    )
    connection.execute(
        "DELETE FROM trip WHERE run = ? AND start_us = ?", (run, start_us)
    )
    connection.execute(
        "INSERT OR IGNORE INTO event (run, t_us, kind, text)"
        " VALUES (?, 0, 'erased', ?)",
        (run, "A trip of this run was erased by request."),
    )


def erase_places(connection: Connection) -> Iterator[str]:
    """Erase every position, and what frames and lines may tell one, step by step."""
    named = connection.execute("SELECT id, name FROM channel").fetchall()
    channels = [int(number) for number, name in named if name in POSITIONS]

    def keep(index: int, second: Second) -> Second | None:
        del index
        cells = {n: cell for n, cell in second[2].items() if n not in channels}
        return (*second[:2], cells) if cells else None

    for run in runs_of(connection):
        sweeping.begin(connection, run)
        if channels:
            yield from _rewrite(connection, run, keep)
        sources = position_sources(_van_text(connection, run))
        if sources is None:
            yield from empty(connection, run)
        else:
            yield from refill(connection, run, partial(_unless_from, sources))
        job = partial(_erase_positions, connection, run, channels, sources)
        in_transaction(connection, job)
        yield f"positions of run {run}"


def _erase_positions(
    connection: Connection,
    run: int,
    channels: Collection[int],
    sources: Collection[str] | None,
) -> None:
    for table in ("minute", "quarter", "gap", "gap_limit"):
        connection.executemany(
            f"DELETE FROM {table} WHERE run = ? AND channel = ?",  # noqa: S608
            [(run, channel) for channel in channels],
        )
    places = connection.execute(
        "SELECT place, reason FROM refusal WHERE run = ?", (run,)
    ).fetchall()
    connection.executemany(
        "UPDATE refusal SET sample = '' WHERE run = ? AND place = ? AND reason = ?",
        [
            (run, place, reason)
            for place, reason in places
            if sources is None or str(place).split(",")[0] in sources
        ],
    )
    mark(connection, run, PLACES)


def position_sources(van_text: str) -> frozenset[str] | None:
    """Return which buses and ports feed positions, as `bus drive` or `port gps`.

    None where the van file cannot be read: then any may.
    """
    van = stored_van(van_text)
    if van.van is None:
        return None
    found = set()
    for each in van.each(FeedSection):
        if each.section.channel.startswith("gps."):
            found |= {f"bus {each.section.bus}", f"port {each.section.port}"}
    return frozenset(found - {"bus None", "port None"})


def _unless_from(sources: Collection[str], item: Raw) -> Raw | None:
    is_told = (isinstance(item, Frame) and f"bus {item.bus}" in sources) or (
        isinstance(item, Line) and f"port {item.port}" in sources
    )
    return None if is_told else item


def erase_owner(connection: Connection) -> Iterator[str]:
    """Erase places, notes and names, for a van that gets a new owner, step by step."""
    yield from erase_places(connection)
    for run in runs_of(connection):
        yield from refill(connection, run, _without_words)
        in_transaction(connection, partial(_erase_notes, connection, run))
        yield f"notes of run {run}"
    in_transaction(connection, partial(without_names, connection))
    yield "names"


def _without_words(item: Raw) -> Raw | None:
    return replace(item, text="") if isinstance(item, Entry) and item.text else item


def _erase_notes(connection: Connection, run: int) -> None:
    connection.execute("DELETE FROM event WHERE run = ? AND kind = 'note'", (run,))
    connection.execute(
        "UPDATE run SET recording = 'a recording' WHERE id = ?"
        " AND recording IS NOT NULL",
        (run,),
    )
    mark(connection, run, NOTES)


def _van_text(connection: Connection, run: int) -> str:
    row = connection.execute(
        "SELECT text FROM run JOIN van_file ON van_file.id = run.van_file"
        " WHERE run.id = ?",
        (run,),
    ).fetchone()
    return "" if row is None else str(row[0])


def _rewrite(
    connection: Connection,
    run: int,
    keep: KeepSecond,
    first: int = 0,
    last: int = 1 << 40,
) -> Iterator[str]:
    """Go through the seconds of a run, a quarter of an hour a step."""
    for quarter in list(quarters(connection, run, first, last)):
        in_transaction(connection, partial(_rewrite_quarter, connection, quarter, keep))
        yield f"seconds of run {run}"


def _rewrite_quarter(
    connection: Connection, quarter: Quarter, keep: KeepSecond
) -> None:
    seconds = dict(walk(connection, quarter.run, *quarter.ticks))
    kept = {index: keep(index, second) for index, second in seconds.items()}
    if kept == seconds:
        return
    for table in ("span", "block"):
        connection.execute(
            f"DELETE FROM {table} WHERE run = ? AND quarter = ?",  # noqa: S608
            (quarter.run, quarter.index),
        )
    connection.execute(
        "DELETE FROM tick WHERE run = ? AND tick BETWEEN ? AND ?",
        (quarter.run, *quarter.ticks),
    )
    connection.executemany(
        "INSERT INTO tick (run, tick, cells) VALUES (?, ?, ?)",
        [
            (quarter.run, index, pack(*second[:2], sorted(second[2].items())))
            for index, second in kept.items()
            if second is not None
        ],
    )
