"""Which date of a run is believed, and what is no more than a step of a clock."""

from collections.abc import Sequence
from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.core.dating import (
    DRIFT_SHARE,
    Answer,
    Dated,
    DatedBy,
    Dating,
    Look,
    date_text,
    found_by,
    look,
    told_by_person,
)
from logger.core.satellites import SatelliteDate
from tests.builders import us

RIGHT_US = us(datetime(2026, 11, 25, 8, tzinfo=UTC).timestamp())
"""The true date of the run's zero in these tests."""

ASLEEP_US = us(datetime(2025, 3, 1, tzinfo=UTC).timestamp())
"""The date that the computer woke up with."""

TEN_YEARS_US = 3652 * 86_400_000_000


def begun(start_us: int = ASLEEP_US, by: DatedBy = "computer") -> Dating:
    """Return a run that begins with a date."""
    return Dating(Dated(start_us, by, 0), start_us, by == "network")


def at(
    t_s: float, zero_us: int, *, is_sure: bool = False, sky_us: int | None = None
) -> Look:
    """Return a look at a wall clock by which the run's zero had a date.

    Args:
        t_s: When, s since the run's zero.
        zero_us: That date.
        is_sure: Whether the network disciplines the clock.
        sky_us: The run's zero by satellites that are heard just then.
    """
    heard = None if sky_us is None else SatelliteDate(us(t_s), sky_us + us(t_s))
    return Look(us(t_s), zero_us + us(t_s), is_sure, heard)


def looked(dating: Dating, looks: Sequence[Look]) -> tuple[Dating, list[Answer]]:
    """Return where some looks lead, and what each of them gave."""
    answers = []
    for each in looks:
        answer = look(dating, each)
        dating = answer.dating
        answers.append(answer)
    return dating, answers


def kinds(answers: Sequence[Answer]) -> list[str]:
    """Return the kinds of all that was told."""
    return [told.kind for answer in answers for told in answer.told]


def dates(answers: Sequence[Answer]) -> list[tuple[int, str]]:
    """Return the dates that were confirmed and by whom."""
    given = [answer.date for answer in answers if answer.date is not None]
    return [(each.start_us, each.dated_by) for each in given]


def test_a_clock_that_goes_steadily_is_not_worth_a_word() -> None:
    dating, answers = looked(begun(), [at(i, ASLEEP_US) for i in range(100)])
    assert (kinds(answers), dates(answers)) == ([], [])
    assert not dating.is_sure


@pytest.mark.parametrize(
    ("change_s", "is_step"),
    [(0.49, False), (-0.49, False), (0.51, True), (-0.51, True)],
)
def test_a_change_of_more_than_half_a_second_is_a_step(
    change_s: float, is_step: bool
) -> None:
    _, answers = looked(begun(), [at(1, ASLEEP_US), at(2, ASLEEP_US + us(change_s))])
    assert kinds(answers) == (["clock step"] if is_step else [])


def test_slewing_is_no_step_however_far_it_leads() -> None:
    # 0.4 s a second is far more than any network time slews (0.0005).
    slewed = [at(i, ASLEEP_US + us(0.4 * i)) for i in range(100)]
    assert kinds(looked(begun(), slewed)[1]) == []


def test_a_step_tells_from_where_to_where_and_how_far() -> None:
    answer = look(begun(RIGHT_US), at(60, RIGHT_US + TEN_YEARS_US))
    (told,) = answer.told
    # By hand: 3,652 days of 86,400 s.
    assert told.text == (
        "The computer's clock stepped by +315,532,800.0 s, from"
        " 2026-11-25T08:01:00.0Z to 2036-11-24T08:01:00.0Z."
    )


def test_a_step_alone_confirms_nothing() -> None:
    dating, answers = looked(begun(), [at(1, ASLEEP_US), at(2, RIGHT_US)])
    assert dates(answers) == []
    assert dating.date.start_us == ASLEEP_US


def test_network_time_confirms_the_date_that_it_set() -> None:
    looks = [at(1, ASLEEP_US), *(at(i, RIGHT_US, is_sure=True) for i in range(2, 9))]
    dating, answers = looked(begun(), looks)
    assert dates(answers) == [(RIGHT_US, "network")]
    assert kinds(answers) == ["clock step"]
    assert dating.is_sure


def test_a_clock_that_is_set_right_between_two_questions_is_not_misread() -> None:
    # Sure already, but its date was read before the step.
    looks = [at(1, ASLEEP_US, is_sure=True), at(2, RIGHT_US, is_sure=True)]
    assert dates(looked(begun(), looks)[1]) == []
    looks.append(at(3, RIGHT_US, is_sure=True))
    assert dates(looked(begun(), looks)[1]) == [(RIGHT_US, "network")]


def test_a_run_that_began_sure_needs_no_second_word() -> None:
    looks = [at(i, RIGHT_US, is_sure=True) for i in range(1, 9)]
    _, answers = looked(begun(RIGHT_US, "network"), looks)
    assert (dates(answers), kinds(answers)) == ([], [])


@pytest.mark.parametrize("is_sure", [True, False])
@pytest.mark.parametrize("by", ["network", "satellites"])
def test_a_confirmed_date_outlives_a_step_of_ten_years(
    by: DatedBy, is_sure: bool
) -> None:
    dating = Dating(Dated(RIGHT_US, by, 0), RIGHT_US, was_sure=True)
    looks = [
        *(at(i, RIGHT_US + TEN_YEARS_US, is_sure=is_sure) for i in range(5, 30)),
        *(at(i, RIGHT_US, is_sure=is_sure) for i in range(30, 60)),
    ]
    dating, answers = looked(dating, looks)
    assert dates(answers) == []
    assert dating.date.start_us == RIGHT_US
    steps = ["clock step", "dates differ", "clock step"] if is_sure else None
    assert kinds(answers) == (steps or ["clock step", "clock step"])


def test_satellites_confirm_what_they_tell_for_three_seconds() -> None:
    looks = [at(i, ASLEEP_US, sky_us=RIGHT_US) for i in range(1, 9)]
    dating, answers = looked(begun(), looks)
    assert dates(answers) == [(RIGHT_US, "satellites")]
    assert dating.date.t_us == us(4)


def test_of_late_lines_the_least_late_one_tells_the_date() -> None:
    # Each line arrives 0.3 to 0.9 s behind its fix.
    late_s = [0.9, 0.3, 0.6, 0.8, 0.5]
    looks = [at(i, ASLEEP_US, sky_us=RIGHT_US - us(s)) for i, s in enumerate(late_s)]
    assert dates(looked(begun(), looks)[1]) == [(RIGHT_US - us(0.3), "satellites")]


def test_a_date_that_stands_still_or_wanders_is_not_believed() -> None:
    frozen = [
        Look(us(i), ASLEEP_US + us(i), False, SatelliteDate(us(i), RIGHT_US))
        for i in range(20)
    ]
    wandering = [at(i, ASLEEP_US, sky_us=RIGHT_US + us(1.1 * i)) for i in range(20)]
    assert dates(looked(begun(), frozen)[1]) == []
    assert dates(looked(begun(), wandering)[1]) == []


def test_a_lost_fix_begins_the_three_seconds_anew() -> None:
    looks = [at(i, ASLEEP_US, sky_us=None if i == 3 else RIGHT_US) for i in range(7)]
    assert dates(looked(begun(), looks)[1]) == []
    looks.append(at(7, ASLEEP_US, sky_us=RIGHT_US))
    assert dates(looked(begun(), looks)[1]) == [(RIGHT_US, "satellites")]


def test_one_sample_seen_again_and_again_is_one_sample() -> None:
    heard = SatelliteDate(us(1), RIGHT_US + us(1))
    looks = [Look(us(i), ASLEEP_US + us(i), False, heard) for i in range(1, 20)]
    assert dates(looked(begun(), looks)[1]) == []


@pytest.mark.parametrize("rollovers", [1, 2])
def test_lost_weeks_are_put_right_and_told(rollovers: int) -> None:
    # By hand: 1,024 weeks are 619,315,200 s.
    old_us = RIGHT_US - rollovers * us(619_315_200)
    _, answers = looked(begun(), [at(i, ASLEEP_US, sky_us=old_us) for i in range(9)])
    assert dates(answers) == [(RIGHT_US, "satellites")]
    (told,) = (told for answer in answers for told in answer.told)
    assert told.kind == "weeks rolled over"
    assert f"{rollovers * 1024:,} weeks" in told.text


@pytest.mark.parametrize("year", [1970, 1979, 2101])
def test_a_date_that_no_satellite_can_mean_is_not_believed(year: int) -> None:
    odd_us = us(datetime(year, 1, 1, tzinfo=UTC).timestamp())
    _, answers = looked(begun(), [at(i, ASLEEP_US, sky_us=odd_us) for i in range(9)])
    assert (dates(answers), kinds(answers)) == ([], [])


def test_a_person_is_believed_against_the_computer_s_guess() -> None:
    answer = told_by_person(begun(), RIGHT_US, us(5))
    assert answer.date == Dated(RIGHT_US, "person", us(5))
    assert answer.dating.is_sure
    again = told_by_person(answer.dating, RIGHT_US + us(60), us(9))
    assert again.date == Dated(RIGHT_US + us(60), "person", us(9))


def test_network_and_satellites_are_believed_against_a_person() -> None:
    told = told_by_person(begun(), RIGHT_US - us(600), us(5)).dating
    network = [at(i, RIGHT_US, is_sure=True) for i in range(6, 9)]
    sky = [at(i, ASLEEP_US, sky_us=RIGHT_US) for i in range(6, 12)]
    assert dates(looked(told, network)[1]) == [(RIGHT_US, "network")]
    assert dates(looked(told, sky)[1]) == [(RIGHT_US, "satellites")]


def test_a_person_is_not_believed_against_network_or_satellites() -> None:
    dating = begun(RIGHT_US, "network")
    answer = told_by_person(dating, RIGHT_US + us(86_400), us(5))
    assert (answer.date, answer.dating) == (None, dating)
    assert answer.told[0].text == "The date is confirmed by network already."


@pytest.mark.parametrize("year", [1970, 2025, 2100])
def test_a_person_s_date_of_another_age_is_not_taken(year: int) -> None:
    start_us = us(datetime(year, 1, 1, tzinfo=UTC).timestamp())
    answer = told_by_person(begun(), start_us, us(5))
    assert answer.date is None
    assert [told.kind for told in answer.told] == ["date not taken"]


def test_one_word_against_a_confirmed_date_is_told_once() -> None:
    wrong_us = RIGHT_US + us(7200)
    looks = [at(i, RIGHT_US, sky_us=wrong_us) for i in range(1, 30)]
    dating, answers = looked(begun(RIGHT_US, "network"), looks)
    assert (kinds(answers), dates(answers)) == (["dates differ"], [])
    assert "By satellites the run began +7,200.0 s" in answers[3].told[0].text
    assert dating.date.dated_by == "network"


def test_two_words_that_agree_win_against_the_first() -> None:
    wrong_us = RIGHT_US - us(7200)
    looks = [
        *(at(i, wrong_us, sky_us=RIGHT_US) for i in range(1, 9)),
        *(at(i, RIGHT_US, is_sure=True) for i in range(9, 20)),
    ]
    _, answers = looked(begun(wrong_us, "network"), looks)
    assert kinds(answers) == ["dates differ", "clock step"]
    assert dates(answers) == [(RIGHT_US, "network")]


def test_a_late_line_or_a_crystal_that_runs_away_is_no_other_date() -> None:
    day_s = 86_400
    away_s = DRIFT_SHARE * day_s + 1.5
    looks = [at(day_s + i, RIGHT_US, sky_us=RIGHT_US - us(away_s)) for i in range(9)]
    assert kinds(looked(begun(RIGHT_US, "network"), looks)[1]) == []


@given(st.lists(st.integers(-(10**17), 10**17), max_size=20), st.booleans())
def test_no_step_of_a_clock_changes_a_confirmed_date(
    zeros: list[int], is_sure: bool
) -> None:
    dating = begun(RIGHT_US, "network")
    for t_s, zero_us in enumerate(zeros):
        wall_us = min(max(zero_us, 0), 8 * 10**15)
        dating = look(dating, at(t_s, wall_us, is_sure=is_sure)).dating
    assert dating.date == Dated(RIGHT_US, "network", 0)


def test_a_date_of_any_age_can_be_written() -> None:
    assert date_text(0) == "1970-01-01T00:00:00.0Z"
    assert date_text(-1) == "1969-12-31T23:59:59.9Z"
    assert date_text(7_258_118_400_123_456) == "2200-01-01T00:00:00.1Z"


def test_what_a_log_says_of_a_date_is_understood() -> None:
    assert found_by("satellites") == "satellites"
    assert found_by("recording") is None
