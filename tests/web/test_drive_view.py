"""Drive never shows an old value as a live one, nor a blank as a zero."""

import json
from dataclasses import replace

import pytest

from dashboard.ageing import Limits
from dashboard.drive import NOT_KNOWN_YET, charge_text, drive_view, message
from dashboard.strip import ALL_LIVE, SOME_LATE
from dashboard.wording import DASH, MINUS, NBSP, kilowatts, number, span_text
from logger.core.health import Health
from logger.live import LiveSource, LiveTrip, Snapshot
from tests.web.scenes import OPEN, SCENE, heard, live

DISAGREEING = Health.DISAGREEING


def test_all_that_is_heard_is_live() -> None:
    view = drive_view(SCENE, 0.1)
    assert view.strip.words == ALL_LIVE
    assert (view.charge.figure.text, view.charge.band) == ("64", f"±{NBSP}4")
    assert (view.charge.low_pct, view.charge.high_pct) == (60.0, 68.0)
    assert (view.power_in.text, view.power_out.text) == ("1.9", "12")
    assert view.use is not None
    assert view.use.text == "412"  # 4,120 Wh over 10 miles
    assert view.sun is not None
    assert view.sun.text == "1.9"
    figures = (view.charge.figure, view.power_in, view.power_out, view.use, view.sun)
    assert {each.state for each in figures} == {"live"}


@pytest.mark.parametrize(
    ("age_s", "state"), [(0.1, "live"), (2.5, "late"), (4.9, "late"), (5.5, "none")]
)
def test_power_is_late_after_2_s_and_a_dash_after_5_s(age_s: float, state: str) -> None:
    view = drive_view(SCENE, age_s)
    assert view.power_out.state == state


@pytest.mark.parametrize(
    ("age_s", "state"), [(1.5, "live"), (4.0, "held"), (599.0, "held"), (601.0, "none")]
)
def test_the_charge_is_held_for_ten_minutes(age_s: float, state: str) -> None:
    scene = heard(pack__soc_pct=live(64.0, age_s))
    assert drive_view(scene, 0.1).charge.figure.state == state


def test_the_charge_is_no_younger_than_the_newest_counted_current() -> None:
    scene = heard(pack__current_a=live(-3.0, 40.0))
    figure = drive_view(scene, 0.1).charge.figure
    assert figure.state == "held"
    assert figure.age_s == pytest.approx(40.1)


def test_a_slow_source_is_late_after_two_of_its_own_beats() -> None:
    scene = heard(sun__roof__power_w=live(800.0, 50.0, period_s=60.0))
    sun = drive_view(scene, 0.1).sun
    assert sun is not None
    assert sun.state == "live"


def test_ages_are_those_of_a_person_where_the_logger_runs_faster() -> None:
    scene = replace(heard(pack__power_w=live(-12_000.0, 30.0)), speed=60.0)
    figure = drive_view(scene, 0.1).power_out
    assert figure.age_s == pytest.approx(0.6)
    assert figure.state == "live"


def test_what_is_gone_tells_its_last_value_and_clock_time() -> None:
    scene = heard(pack__power_w=live(-12_000.0, 180.0))
    view = drive_view(scene, 0.0)
    assert view.power_out.state == "none"
    assert view.power_out.was == "was 12 kW out, 21:01"  # the scene is at 21:04:00
    assert view.out_pct == 0.0
    assert view.strip.words == "No reading of power out"


def test_no_clock_time_is_told_by_a_clock_that_is_unsure() -> None:
    scene = replace(heard(pack__power_w=live(-12_000.0, 60.0)), is_clock_sure=False)
    assert drive_view(scene, 0.0).power_out.was == "was 12 kW out"


def test_nothing_is_zero_that_was_not_heard() -> None:
    scene = heard(pack__power_w=None, sun__roof__power_w=live(None))
    view = drive_view(scene, 0.1)
    assert (view.power_in.text, view.power_in.value) == (DASH, None)
    assert (view.power_out.text, view.power_out.value) == (DASH, None)


def test_what_was_never_fitted_has_no_line() -> None:
    assert drive_view(heard(sun__roof__power_w=None), 0.1).sun is None


def test_a_van_without_a_trip_shows_no_consumption() -> None:
    assert drive_view(replace(SCENE, trip=None), 0.1).use is None


def test_too_short_a_way_gives_a_dash() -> None:
    trip = LiveTrip(0, 60.0, 40.0, 40.0, None)
    use = drive_view(replace(SCENE, trip=trip), 0.1).use
    assert use is not None
    assert use.text == DASH


def test_kilometres_are_shown_where_the_van_is_read_in_them() -> None:
    scene = replace(SCENE, van=replace(SCENE.van, distance="kilometre"))
    use = drive_view(scene, 0.1).use
    assert use is not None
    assert (use.text, use.unit) == ("256", "Wh/km")  # 4,120 Wh over 16.09344 km


def test_what_the_pack_takes_is_what_comes_in_from_the_road() -> None:
    view = drive_view(heard(pack__power_w=live(18_000.0, mean=18_000.0)), 0.1)
    assert (view.power_in.text, view.power_out.text) == ("18", "0.0")


def test_sun_and_charger_are_added() -> None:
    scene = heard(
        pack__power_w=live(4_000.0, mean=4_000.0),
        charger__a__dc_power_w=live(3_300.0, mean=3_300.0),
    )
    assert drive_view(scene, 0.1).power_in.text == "5.2"


def test_a_silent_box_adds_nothing_to_what_comes_in() -> None:
    scene = heard(charger__a__dc_power_w=live(3_300.0, 3600.0))
    assert drive_view(scene, 0.1).power_in.text == "1.9"


def test_sun_that_fell_silent_is_a_dash_though_the_pack_is_heard() -> None:
    scene = heard(sun__roof__power_w=live(1_900.0, 60.0))
    figure = drive_view(scene, 0.1).power_in
    assert figure.state == "none"
    assert figure.was == "was 1.9 kW in, 21:03"


def test_without_sun_and_charger_the_pack_alone_tells_what_comes_in() -> None:
    scene = heard(sun__roof__power_w=None)
    assert drive_view(scene, 0.1).power_in.text == "0.0"  # heard: it takes nothing


@pytest.mark.parametrize(("high", "to"), [(79.9, ""), (80.0, "80")])
def test_from_ten_points_either_side_there_are_two_figures(
    high: float, to: str
) -> None:
    scene = heard(pack__soc_low_pct=live(60.0), pack__soc_high_pct=live(high))
    charge = drive_view(scene, 0.1).charge
    assert charge.to == to
    assert charge.figure.text == ("60" if to else "64")
    assert bool(charge.band) != bool(to)


def test_a_charge_that_was_never_known_says_what_it_needs() -> None:
    scene = heard(pack__soc_pct=None, pack__soc_low_pct=None, pack__soc_high_pct=None)
    view = drive_view(scene, 0.1)
    assert view.charge.figure.was == NOT_KNOWN_YET
    assert NOT_KNOWN_YET == "Not known yet: needs a full charge or a rest"
    assert view.strip.words == "Charge not known"


def test_without_a_count_the_meter_is_shown_by_its_name() -> None:
    scene = heard(pack__soc_pct=None, meter__soc_pct=live(57.0))
    charge = drive_view(scene, 0.1).charge
    assert (charge.figure.text, charge.word, charge.band) == ("57", "meter", "")


@pytest.mark.parametrize(
    ("count", "meter", "large", "word", "other"),
    [(64.0, 57.0, "57", "meter", "64"), (50.0, 61.0, "50", "count", "61")],
)
def test_where_two_disagree_the_lower_is_large(
    count: float, meter: float, large: str, word: str, other: str
) -> None:
    scene = heard(
        pack__soc_pct=live(count, health=DISAGREEING),
        meter__soc_pct=live(meter, health=DISAGREEING),
    )
    view = drive_view(scene, 0.1)
    assert (view.charge.figure.text, view.charge.word) == (large, word)
    assert view.charge.other == f"or {other}{NBSP}%"
    assert view.strip.words == "Counts disagree"
    assert view.charge.doubt_pct == max(count, meter)


@pytest.mark.parametrize(
    ("scene", "text"),
    [
        (SCENE, f"64{NBSP}±{NBSP}4{NBSP}%"),
        (
            heard(pack__soc_low_pct=live(41.0), pack__soc_high_pct=live(61.0)),
            f"41 to 61{NBSP}%",
        ),
        (
            heard(
                pack__soc_pct=live(64.0, health=DISAGREEING),
                meter__soc_pct=live(57.0, health=DISAGREEING),
            ),
            f"57 or 64{NBSP}%",
        ),
        (heard(pack__soc_pct=live(64.0, 30.0)), ""),
    ],
)
def test_the_log_writes_the_charge_as_drive_has_it(scene: Snapshot, text: str) -> None:
    assert charge_text(drive_view(scene, 0.1).charge) == text


def test_a_logger_that_says_nothing_is_told_with_its_age() -> None:
    view = drive_view(SCENE, 14.0)
    assert (view.strip.state, view.strip.words) == ("look", "No link to logger")
    assert view.strip.for_s == 14.0
    assert view.charge.figure.state == "held"
    assert view.power_out.state == "none"
    assert view.is_moving is None


def test_without_any_snapshot_everything_is_a_dash() -> None:
    view = drive_view(None, 7.0)
    assert view.strip.words == "No link to logger"
    assert view.charge.figure.text == DASH
    assert view.charge.figure.was == ""  # nobody said that it is not known


def test_a_bus_with_errors_is_noted() -> None:
    ailing = LiveSource("bus drive", "open", "", 0.1, 9.0, 0, 3, 0, "bus-off (3)")
    strip = drive_view(replace(SCENE, sources=(ailing,)), 0.1).strip
    assert (strip.state, strip.words) == ("note", "Bus drive has errors")


def source(state: str, name: str = "port roof") -> LiveSource:
    assert state in ("open", "silent", "lost")
    states: dict[str, LiveSource] = {
        "open": LiveSource(name, "open", "", 0.1, 1.0, 0),
        "silent": LiveSource(name, "silent", "", 30.0, 0.0, 0),
        "lost": LiveSource(name, "lost", "no such device", 30.0, 0.0, 0),
    }
    return states[state]


@pytest.mark.parametrize(
    ("states", "words"),
    [
        (("lost", "open"), "Port 0 lost"),
        (("silent", "open"), "Port 0 silent"),
        (("silent", "lost"), "Port 1 lost"),
        (("lost", "lost", "lost"), "Port 0 lost and 2 more"),
    ],
)
def test_a_lost_source_is_named(states: tuple[str, ...], words: str) -> None:
    sources = tuple(source(each, f"port {i}") for i, each in enumerate(states))
    strip = drive_view(replace(SCENE, sources=sources), 0.1).strip
    assert (strip.state, strip.words) == ("look", words)


def test_a_log_that_takes_nothing_is_told() -> None:
    strip = drive_view(replace(SCENE, not_stored="disk full"), 0.1).strip
    assert strip.words == "Nothing is stored"


@pytest.mark.parametrize("health", [Health.IMPLAUSIBLE, Health.FROZEN])
def test_a_doubted_reading_is_told(health: Health) -> None:
    scene = heard(pack__current_a=live(-34.0, health=health))
    assert drive_view(scene, 0.1).strip.words == f"Pack current {health.value}"


def test_a_late_reading_is_told() -> None:
    scene = heard(pack__power_w=live(-12_000.0, 3.0))
    assert drive_view(scene, 0.1).strip.words == SOME_LATE


def test_every_figure_carries_source_unit_and_the_ages_it_changes_at() -> None:
    told = json.loads(message(SCENE, 0.1))
    figures = [told["power_in"], told["power_out"], told["use"], told["sun"]]
    for figure in [*figures, told["charge"]["figure"]]:
        assert figure["source"]
        assert figure["unit"]
        assert 0 < figure["age_s"] < figure["late_after_s"] < figure["gone_after_s"]


def test_the_message_stays_small() -> None:
    many = tuple(replace(each, name=each.name * 20) for each in OPEN)
    for scene, age_s in ((SCENE, 0.1), (replace(SCENE, sources=many), 99.0)):
        assert len(message(scene, age_s)) <= 4096
    assert len(message(None, 1.0)) <= 4096


def test_power_has_tenths_below_ten_kilowatts() -> None:
    texts = [kilowatts(w).text for w in (0.0, 94.0, 9_940.0, 9_960.0, 31_400.0)]
    assert texts == ["0.0", "0.1", "9.9", "10", "31"]


def test_numbers_are_written_one_way() -> None:
    assert number(-0.04, 1) == "0.0"
    assert number(-5.8, 1) == f"{MINUS}5.8"
    assert number(1234.4) == "1,234"
    spans = [span_text(s).replace(NBSP, " ") for s in (7.9, 119, 120, 3900, 200_000)]
    assert spans == ["7 s", "119 s", "2 min", "1 h 05", "2 d"]


def test_an_age_without_a_reading_is_no_reading() -> None:
    assert Limits(2.0, 10.0).state(None) == "none"
