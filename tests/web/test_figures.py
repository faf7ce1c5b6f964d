"""Panels show every spike, draw nothing across a gap, and the account adds up."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dashboard import figures
from dashboard.buckets import Column, Grid, bucketed
from dashboard.figures import MOST_TICKS, gaps, lines_of, pieces, scale_of
from dashboard.logbook import TripRecord as Record
from dashboard.trip_page import TABLE_ROWS, account_of, trip_view
from dashboard.wording import MINUS, NBSP
from logger.core.tick import US_PER_S, Cell, Gap
from tests.builders import LAW
from tests.web.test_logbook import TRIP, UNITS, record, run

VALUES = st.lists(
    st.one_of(st.none(), st.floats(-100.0, 100.0)), min_size=1, max_size=60
)


def column(means: list[float | None], spread: float = 0.0) -> Column:
    """Return a column whose band lies evenly about its mean."""
    low, high = (
        [None if x is None else x + way for x in means] for way in (-spread, spread)
    )
    return Column(low, means, high)


@LAW
@given(means=VALUES)
def test_pieces_and_gaps_share_the_time_out_between_them(
    means: list[float | None],
) -> None:
    drawn = [place for piece in pieces(column(means)) for place in piece]
    blank = [place for gap in gaps(column(means)) for place in gap]
    assert sorted(drawn + blank) == list(range(len(means)))
    assert all(means[place] is not None for place in drawn)
    assert all(means[place] is None for place in blank)


def test_a_gap_breaks_the_line_and_is_hatched() -> None:
    broken = column([1.0, 2.0, None, None, 3.0])
    assert len(lines_of(broken, scale_of([0.0, 3.0], 1.0))) == 2
    assert [(h.at_pct, h.width_pct) for h in figures.hatches_of(broken)] == [(40, 40)]
    first, second = lines_of(broken, figures.Scale(0.0, 4.0, ()))
    assert first == "0,75 100,75 300,50 400,50"  # drawn to the ends of its buckets
    assert second == "800,25 900,25 1000,25"


def test_a_spike_of_a_second_in_eight_hours_is_in_the_band() -> None:
    over = Grid(unit_s=1, first=0, width=120, count=240)
    calm = Cell(1, 5.0, 5.0, 5.0, 5.0, US_PER_S)
    spike = Cell(1, 5.0, 90.0, 5.0, 5.0, US_PER_S)
    cells = [(s, spike if s == 12_345 else calm) for s in range(28_800)]
    scale = figures.Scale(0.0, 100.0, ())
    (band,) = figures.bands_of(bucketed(cells, over), scale)
    assert " 427.1,10 " in band  # bucket 102 of 240, 90 of 100 up


@LAW
@given(st.lists(st.floats(-500.0, 500.0), max_size=20), st.floats(0.5, 50.0))
def test_a_scale_holds_all_with_few_round_ticks(
    values: list[float], least: float
) -> None:
    scale = scale_of(values, least)
    assert scale.low <= min([0.0, *values])
    assert scale.high >= max([0.0, *values])
    assert 1 <= len(scale.ticks) <= MOST_TICKS
    assert 0.0 in scale.ticks
    assert all(scale.low <= tick <= scale.high for tick in scale.ticks)


def test_out_of_the_pack_is_drawn_upward() -> None:
    into = Column([-9_000.0], [-8_000.0], [-7_000.0])
    out = figures.converted(into, -0.001)
    assert (out.low, out.mean, out.high) == ([7.0], [8.0], [9.0])


def test_the_time_axis_has_both_ends_and_round_times_between() -> None:
    over = Grid(unit_s=1, first=0, width=10, count=240)  # 40 minutes
    ticks = figures.clock_ticks(over, lambda s: f"{s / 60:g}")
    assert [(t.at_pct, t.text) for t in ticks] == [
        (0.0, "0"),
        (37.5, "15"),
        (75.0, "30"),
        (100.0, "40"),
    ]


def kwh(text: str) -> int:
    """Return a printed figure in its last digit."""
    return int(text.replace(MINUS, "-").replace(".", "").replace(",", ""))


@LAW
@given(
    out=st.floats(0.0, 60_000.0),
    back=st.floats(0.0, 20_000.0),
    sun=st.one_of(st.none(), st.floats(0.0, 9_000.0)),
    shore=st.one_of(st.none(), st.floats(0.0, 9_000.0)),
)
def test_the_account_adds_up_as_printed(
    out: float, back: float, sun: float | None, shore: float | None
) -> None:
    trip = replace(
        TRIP, energy_out_wh=out, energy_in_wh=back, sun_wh=sun, shore_wh=shore
    )
    rows = account_of(trip)
    items = [kwh(row.item) for row in rows if row.item]
    totals = [kwh(row.total) for row in rows if row.total]
    assert sum(items) == totals[0]
    assert sum(totals[:-1]) == totals[-1]
    assert len(totals) == 2 + (sun is not None) + (shore is not None)


def test_an_account_without_readings_has_dashes_and_no_zero() -> None:
    rows = account_of(replace(TRIP, energy_out_wh=None, energy_in_wh=None))
    assert {row.item or row.total for row in rows} == {"—"}


OVER = Grid(unit_s=1, first=0, width=8, count=225)
COLUMNS = {
    "pack.power_w": column([-16_000.0] * 100 + [None] * 50 + [4_000.0] * 75, 1_000.0),
    "pack.soc_pct": column([80.0 - i / 10 for i in range(225)]),
    "road.speed_mps": column([20.0] * 225),
}


def test_a_panel_tells_its_answer_in_a_sentence() -> None:
    view = trip_view(record(), UNITS, COLUMNS, OVER)
    power, charge, speed = (each.label for each in view.panels)
    assert power == (
        "Power 7.4 kW out on average, highest 17.0 at 21:04, up to 5.0 back in;"
        " no readings 21:17 to 21:24"
    )
    assert charge == "Charge from 80 to 58 percent"
    assert speed == "Speed 45 mph on average, highest 45 at 21:04"


def test_the_table_of_a_trip_is_short_and_has_dashes_for_gaps() -> None:
    view = trip_view(record(), UNITS, COLUMNS, OVER)
    assert view.head == ("kW out", "%", "mph")
    assert len(view.table) <= TABLE_ROWS
    assert ("—", "69", "45") in [row.cells for row in view.table]


def test_a_trip_tells_charge_before_and_after_with_its_band() -> None:
    view = trip_view(record(), UNITS, {}, OVER)
    assert view.charges == (
        ("Charge at 21:04", f"80{NBSP}%"),
        ("Charge at 21:34", f"57{NBSP}±{NBSP}4{NBSP}%"),
    )
    assert view.panels == ()


def test_what_was_not_seen_is_told_with_its_times() -> None:
    gap = Gap("pack.current_a", 780 * US_PER_S, 1200 * US_PER_S)
    trip = replace(TRIP, skipped_us=420 * US_PER_S)
    view = trip_view(Record(record().run, 0, trip, (gap,)), UNITS, {}, OVER)
    assert view.unseen == "Hatched: no readings 21:17 to 21:24."
    assert view.notes == ("no record 21:17 to 21:24",)


def test_an_undated_trip_counts_from_its_start() -> None:
    view = trip_view(Record(run(None), 0, TRIP), UNITS, COLUMNS, OVER)
    assert view.zone == ""
    assert [each.text for each in view.clocks][-1] == f"30{NBSP}min"


@pytest.mark.parametrize(
    ("change", "finding"),
    [
        ({}, f"Road and house took 8.00{NBSP}kWh over 20.0{NBSP}mi."),
        (
            {"sun_wh": 1_000.0},
            f"Road and house took 9.00{NBSP}kWh over 20.0{NBSP}mi."
            f" What the pack gave for it was 400{NBSP}Wh/mi.",
        ),
        (
            {"distance_m": 60.0},
            f"Road and house took 8.00{NBSP}kWh over 0.0{NBSP}mi,"
            " too short a way to tell a consumption.",
        ),
        (
            {"distance_m": None},
            f"Road and house took 8.00{NBSP}kWh; the way was not measured.",
        ),
        ({"energy_out_wh": None}, "What it took was not measured."),
    ],
)
def test_the_finding_says_what_is_known(
    change: dict[str, float | None], finding: str
) -> None:
    trip = replace(TRIP, **change)  # type: ignore[arg-type] # names of the table above
    assert trip_view(record(trip=trip), UNITS, {}, OVER).finding == finding
