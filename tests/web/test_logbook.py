"""The Log adds up as printed, says what it did not see, and turns its pages."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import date
from zoneinfo import ZoneInfo

import pytest

from dashboard.logbook import (
    DAYS_A_PAGE,
    LogPage,
    TripRecord,
    entry_so_far,
    log_page,
    title_of,
    unseen_of,
)
from dashboard.wording import DASH, NBSP, Units
from logger.core.tick import US_PER_S, Gap
from logger.core.trips import METRES_PER_MILE, Trip
from logger.live import LiveTrip
from logger.store.reader import RunRow

UNITS = Units(ZoneInfo("Europe/Lisbon"), is_mile=True, van_name="Sandpiper")
DAY_S = 24 * 3600
START_S = 1_781_985_840
"""20 June 2026, 20:04 UTC: 21:04 in the van."""

TRIP = Trip(
    start_us=0,
    end_us=1_800 * US_PER_S,
    skipped_us=0,
    distance_m=20 * METRES_PER_MILE,
    energy_out_wh=8_440.0,
    energy_in_wh=440.0,
    charge_net_ah=-22.0,
    sun_wh=None,
    shore_wh=None,
    soc_start_pct=80.0,
    soc_end_pct=57.4,
    soc_low_end_pct=53.0,
    soc_high_end_pct=61.0,
    soc_counted_change_pct=-22.6,
)


def run(
    start_s: float | None, number: int = 1, *, is_start_sure: bool = True
) -> RunRow:
    return RunRow(
        id=number,
        recording=None,
        recording_sha256=None,
        start_us=None if start_s is None else int(start_s * US_PER_S),
        zero_stamp_us=0,
        end_us=None,
        program="ampledger 0.1.0",
        damaged_lines=0,
        unmatched_frames=0,
        unmatched_lines=0,
        balance_us=None,
        count=None,
        is_start_sure=is_start_sure,
    )


def record(start_s: float | None = START_S, trip: Trip = TRIP) -> TripRecord:
    return TripRecord(run(start_s), 0, trip)


def days(count: int) -> list[TripRecord]:
    """Return a trip on each of some days, the last on 20 June 2026."""
    return [record(START_S - DAY_S * back) for back in reversed(range(count))]


def headings(page: LogPage) -> list[str]:
    return [each.heading for each in page.days]


def test_trips_stand_under_the_day_of_the_van_s_own_zone() -> None:
    late = record(START_S + 2 * 3600 + 57 * 60)  # 23:01 UTC is 0:01 there
    page = log_page([record(), late], UNITS)
    assert headings(page) == ["Sat 20 Jun", "Sun 21 Jun"]
    assert [each.entries[0].when for each in page.days] == ["21:04", "0:01"]


def test_an_entry_tells_what_went_in_and_out_and_what_is_left() -> None:
    (entry,) = log_page([record()], UNITS).days[0].entries
    assert (entry.into, entry.out, entry.store) == ("0.4", "8.4", f"57{NBSP}%")
    assert (entry.way, entry.use) == ("20.0", "400")  # 8,000 Wh over 20 miles
    assert entry.detail == "20.0 mi, 400 Wh/mi"
    assert entry.length == f"30{NBSP}min"
    assert entry.url == "/log/1/0"
    assert entry.notes == ()


def test_sums_are_those_of_the_printed_figures() -> None:
    trips = [replace(TRIP, energy_out_wh=wh) for wh in (140.0, 140.0, 140.0)]
    sums = log_page([record(trip=each) for each in trips], UNITS).sums
    assert sums is not None
    assert sums.out == "0.3"  # three times 0.1, though it was 0.42
    assert sums.into == "1.2"
    assert not sums.is_at_least


def test_what_was_not_measured_is_a_dash_and_makes_the_sum_at_least() -> None:
    blind = replace(TRIP, energy_in_wh=None, energy_out_wh=None, distance_m=None)
    page = log_page([record(), record(START_S + 60, blind)], UNITS)
    entry = page.days[0].entries[1]
    assert (entry.into, entry.out, entry.way, entry.use) == (DASH,) * 4
    assert page.sums is not None
    assert page.sums.is_at_least
    assert page.sums.out == "8.4"


def skipping(gaps: Sequence[tuple[int, int]], skipped_s: float) -> TripRecord:
    trip = replace(TRIP, skipped_us=int(skipped_s * US_PER_S))
    found = (Gap("pack.current_a", a * US_PER_S, b * US_PER_S) for a, b in gaps)
    return TripRecord(run(START_S), 0, trip, tuple(found))


@pytest.mark.parametrize(
    ("gaps", "skipped_s", "note"),
    [
        ([(300, 720)], 420, "no record 21:09 to 21:16"),
        ([(300, 310)], 10, f"not seen 10{NBSP}s"),  # within one minute of the clock
        ([(60, 240), (600, 840)], 420, f"not seen 7{NBSP}min"),
        ([], 420, f"not seen 7{NBSP}min"),
    ],
)
def test_what_was_not_seen_is_told(
    gaps: list[tuple[int, int]], skipped_s: float, note: str
) -> None:
    page = log_page([skipping(gaps, skipped_s)], UNITS)
    assert page.days[0].entries[0].notes == (note,)
    assert page.sums is not None
    assert page.sums.is_at_least


def test_stretches_of_two_channels_that_overlap_are_one() -> None:
    gaps = (
        Gap("road.speed_mps", 100, 500),
        Gap("pack.current_a", 300, 900),
        Gap("motor.speed_rpm", 0, 5_000),
        Gap("pack.current_a", TRIP.end_us - 1, TRIP.end_us + 9),
    )
    found = unseen_of(TripRecord(run(START_S), 0, TRIP, gaps))
    assert found == [(100, 900), (TRIP.end_us - 1, TRIP.end_us)]


def test_a_recording_without_a_date_says_so() -> None:
    page = log_page([record(), record(None)], UNITS)
    assert headings(page) == ["No date", "Sat 20 Jun"]
    entry = page.days[0].entries[0]
    assert entry.when == ""
    assert entry.notes == ("no date: the recording has none",)
    assert title_of(record(None), UNITS) == "Trip, no date"


def test_an_unsure_clock_is_marked() -> None:
    unsure = TripRecord(run(START_S, is_start_sure=False), 0, TRIP)
    (entry,) = log_page([unsure], UNITS).days[0].entries
    assert entry.is_clock_unsure
    assert entry.notes == ("date not confirmed",)


def test_two_weeks_stand_on_a_page_and_the_keys_lead_on() -> None:
    records = days(40)
    newest = log_page(records, UNITS)
    assert len(newest.days) == DAYS_A_PAGE
    assert headings(newest)[-1] == "Sat 20 Jun"
    assert not newest.has_later
    assert newest.earlier == date(2026, 6, 7)
    middle = log_page(records, UNITS, before=newest.earlier)
    assert headings(middle)[-1] == "Sat 6 Jun"
    assert (middle.has_later, middle.later) == (True, None)
    assert middle.earlier is not None
    oldest = log_page(records, UNITS, before=middle.earlier)
    assert len(oldest.days) == 40 - 2 * DAYS_A_PAGE
    assert oldest.earlier is None
    assert oldest.later == newest.earlier  # leads to the page in the middle


def test_the_trip_under_way_and_the_charge_of_now_end_the_newest_page_only() -> None:
    trip = LiveTrip(0, 10 * METRES_PER_MILE, 4_100.0, 3_900.0, None)
    so_far = entry_so_far(trip, START_S * US_PER_S, UNITS)
    assert (so_far.name, so_far.when, so_far.way) == ("Trip so far", "21:04", "10.0")
    records = days(20)
    newest = log_page(records, UNITS, so_far=so_far, now="64 ± 4 %")
    assert newest.days[-1].entries == (so_far,)
    assert not so_far.is_clock_unsure
    assert (newest.store_label, newest.store) == ("Store now", "64 ± 4 %")
    older = log_page(records, UNITS, newest.earlier, so_far, "64 ± 4 %")
    assert so_far not in older.days[-1].entries
    assert older.store == f"57{NBSP}±{NBSP}4{NBSP}%"
    assert not older.is_store_live


def test_a_trip_under_way_is_marked_while_its_date_is_not_confirmed() -> None:
    trip = LiveTrip(0, None, None, None, None)
    so_far = entry_so_far(trip, START_S * US_PER_S, UNITS, is_date_sure=False)
    assert so_far.is_clock_unsure
    assert so_far.notes == ("date not confirmed",)


def test_an_empty_log_is_no_error() -> None:
    page = log_page([], UNITS)
    assert (page.days, page.sums, page.store) == ((), None, DASH)
