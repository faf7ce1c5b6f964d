"""What each string brought on each day."""

from datetime import date

from logger.core.sun_days import LIT_W, SunBook, SunDay
from logger.core.tick import Cell
from tests.builders import us

MONDAY, TUESDAY = date(2026, 6, 22), date(2026, 6, 23)


def minute(power_w: float, peak_w: float) -> Cell:
    """Return a minute of steady power with one sample above it."""
    return Cell(60, 0.0, peak_w, power_w, power_w * 60, us(60))


def test_energy_peak_and_lit_time_are_those_of_the_day() -> None:
    book = SunBook()
    for power_w, peak_w in ((300.0, 310.0), (LIT_W, 45.0), (600.0, 640.0)):
        book.add(MONDAY, "roof", minute(power_w, peak_w))
    # (300 + 20 + 600) W for a minute each; LIT_W itself is not above it.
    (day,) = book.take_all()
    assert day == SunDay(MONDAY, "roof", 920.0 / 60, 640.0, 120.0, 180.0)


def test_days_and_strings_are_kept_apart() -> None:
    book = SunBook()
    for day in (TUESDAY, None, MONDAY):
        for string in ("roof", "awning"):
            book.add(day, string, minute(60.0, 60.0))
    over = book.take_before(TUESDAY)
    assert [(each.day, each.string) for each in over] == [
        (MONDAY, "awning"),
        (MONDAY, "roof"),
    ]
    assert [each.day for each in book.take_all()] == [TUESDAY, TUESDAY, None, None]
    assert book.take_all() == []
