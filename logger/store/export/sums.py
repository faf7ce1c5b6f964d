"""Tables that are worked out of stored sums: the ledger, the sun, the charges.

Days are those of the van's own time zone. Runs come in order of date, so that a day is
written as soon as nothing more can come to it, and a long log needs no more memory.
"""

from collections.abc import Callable, Iterator, Sequence
from datetime import date, timedelta, tzinfo
from itertools import groupby
from typing import Protocol, TypeVar

from logger.core.dating import EPOCH
from logger.core.daybook import DayBook, DayEntry
from logger.core.ledger import Total, is_booked
from logger.core.rollup import Minute
from logger.core.spells import Spell, SpellFold, is_wanted
from logger.core.sun_days import SunBook, SunDay
from logger.core.tick import US_PER_S
from logger.quantities import find_channel
from logger.store.export.choice import Extract, Part
from logger.store.export.sheet import Column, Kind, Sheet, Value, stamp, text, whole
from logger.store.export.walking import MINUTE_US, QUARTER_US, minutes, pieces
from logger.van.stored import stored_van, whole_strings

LEDGER_COLUMNS = (
    Column("day", Kind.DAY),
    text("account"),
    text("unit"),
    Column("amount", digits=6),
    Column("covered_s", digits=3),
)
SUN_COLUMNS = (
    Column("day", Kind.DAY),
    text("string"),
    Column("energy_wh", digits=3),
    Column("peak_w", digits=3),
    Column("lit_s", digits=3),
    Column("covered_s", digits=3),
    Column("rated_w"),
)
CHARGE_COLUMNS = (
    whole("run"),
    stamp("start_utc"),
    stamp("end_utc"),
    Column("duration_s", digits=3),
    Column("covered_s", digits=3),
    Column("energy_ac_wh", digits=3),
    Column("energy_dc_wh", digits=3),
    Column("efficiency_frac", digits=4),
    Column("charge_net_ah", digits=6),
    Column("soc_start_pct", digits=3),
    Column("soc_end_pct", digits=3),
)


def ledger(extract: Extract) -> Sheet:
    """Return one row an account and day, and what is not accounted for on that day."""
    book = DayBook()

    def feed(part: Part) -> Iterator[date | None]:
        channels = [name for name in _channels(extract) if is_booked(name)]
        for piece in pieces(extract, part, channels, _over_midnight(extract, part)):
            day = _day(extract.zone, part.run.date_us(piece.t_us))
            cell = piece.cell
            book.add(day, piece.channel, Total(cell.integral, cell.covered_us))
            yield day

    def row(entry: DayEntry) -> Sequence[Value]:
        return entry.day, entry.account, entry.unit, entry.amount, entry.covered_s

    return Sheet(LEDGER_COLUMNS, map(row, _by_days(extract, book, feed)))


def sun(extract: Extract) -> Sheet:
    """Return one row a solar string and day."""
    book = SunBook()
    rated_w: dict[str, float] = {}

    def feed(part: Part) -> Iterator[date | None]:
        van = stored_van(extract.log.van_text(part.run.id))
        rated_w.update({each.name: each.rated_w for each in whole_strings(van)})
        channels = [name for name in _channels(extract) if _is_string(name)]
        for piece in pieces(extract, part, channels, lambda t_us: True):
            day = _day(extract.zone, part.run.date_us(piece.t_us))
            book.add(day, piece.channel.split(".")[1], piece.cell)
            yield day

    def row(entry: SunDay) -> Sequence[Value]:
        return (
            entry.day,
            entry.string,
            entry.energy_wh,
            entry.peak_w,
            entry.lit_s,
            entry.covered_s,
            rated_w.get(entry.string),
        )

    return Sheet(SUN_COLUMNS, map(row, _by_days(extract, book, feed)))


def _channels(extract: Extract) -> list[str]:
    return sorted(extract.log.channels.values())


def _is_string(channel: str) -> bool:
    found = find_channel(channel)
    return found is not None and found.quantity.pattern == "sun.<name>.power_w"


def _day(zone: tzinfo, date_us: int | None) -> date | None:
    """Return the day of a date, microseconds since the Unix epoch."""
    if date_us is None:
        return None
    return (EPOCH + timedelta(microseconds=date_us)).astimezone(zone).date()


def _over_midnight(extract: Extract, part: Part) -> Callable[[int], bool]:
    def is_cut(t_us: int) -> bool:
        start_us, end_us = (
            part.run.date_us(each) for each in (t_us, t_us + QUARTER_US - 1)
        )
        return _day(extract.zone, start_us) != _day(extract.zone, end_us)

    return is_cut


Entry = TypeVar("Entry")


class Book(Protocol[Entry]):
    """What is kept by days, and given out when a day is over."""

    def take_before(self, day: date) -> list[Entry]:
        """Return all that is booked on earlier days, and forget it."""

    def take_all(self) -> list[Entry]:
        """Return all that is left, and forget it."""


def _by_days(
    extract: Extract,
    book: Book[Entry],
    feed: Callable[[Part], Iterator[date | None]],
) -> Iterator[Entry]:
    """Yield the entries of a book as its days are over.

    Args:
        extract: What is walked.
        book: Where it is booked.
        feed: Books one part, and yields the day of each piece.
    """
    starts = [
        _day(extract.zone, part.run.date_us(max(part.start_us, 0)))
        for part in extract.parts
    ]
    for part, following in zip(extract.each(), [*starts[1:], None], strict=False):
        for day, _ in groupby(feed(part)):
            if day is not None:
                # A run that overlaps with this one still has something to add.
                yield from book.take_before(min(day, following or day))
    yield from book.take_all()


def charges(extract: Extract) -> Sheet:
    """Return one row a spell of charging; it is in the range that it begins in."""

    def rows() -> Iterator[Sequence[Value]]:
        for part in extract.each():
            whole_run = Part(part.run)
            for spell in _spells(extract, whole_run):
                if part.holds(spell.first_minute * MINUTE_US):
                    yield _charge(part, spell)

    return Sheet(CHARGE_COLUMNS, rows())


def _spells(extract: Extract, part: Part) -> Iterator[Spell]:
    fold = SpellFold()
    channels = [name for name in _channels(extract) if is_wanted(name)]
    found = minutes(extract, part, channels)
    for t_us, group in groupby(found, key=lambda piece: piece.t_us):
        cells = {piece.channel: piece.cell for piece in group}
        spell = fold.add(Minute(t_us // MINUTE_US, cells))
        if spell is not None:
            yield spell
    last = fold.finish()
    if last is not None:
        yield last


def _charge(part: Part, spell: Spell) -> Sequence[Value]:
    start_us, end_us = (
        minute * MINUTE_US for minute in (spell.first_minute, spell.last_minute + 1)
    )
    if part.run.end_us is not None:
        end_us = min(end_us, part.run.end_us)
    return (
        part.run.id,
        part.run.date_us(start_us),
        part.run.date_us(end_us),
        (end_us - start_us) / US_PER_S,
        spell.covered_s,
        spell.energy_ac_wh,
        spell.energy_dc_wh,
        spell.efficiency_frac,
        spell.charge_net_ah,
        spell.soc_start_pct,
        spell.soc_end_pct,
    )
