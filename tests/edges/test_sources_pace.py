"""How often a source speaks, how long it may be quiet, and when it is tried again."""

import pytest

from logger.sources.pace import BackOff, Rate, Silence
from tests.builders import us


def heard(*times_s: float, speed: float = 1.0) -> Silence:
    """Return what was learned from a source that spoke at these times."""
    silence = Silence(speed)
    for t_s in times_s:
        silence.hear(us(t_s))
    return silence


def test_a_source_that_never_spoke_is_not_silent() -> None:
    assert not Silence().is_over(us(1e6))


def test_five_seconds_without_a_word_are_silence() -> None:
    silence = heard(0.0, 0.1, 0.2)
    assert not silence.is_over(us(5.2))
    assert silence.is_over(us(5.3))


@pytest.mark.parametrize(("beat_s", "limit_s"), [
    (1.0, 5.0),       # 3 beats are less than 5 s
    (2.0, 6.0),
    (30.0, 90.0),
    (60.0, 180.0),
    (100.0, 180.0),   # no beat counts for more than 60 s
])  # fmt: skip
def test_a_slow_source_may_miss_three_beats(beat_s: float, limit_s: float) -> None:
    silence = heard(0.0, beat_s, 2 * beat_s)
    assert silence.limit_us(us(2 * beat_s)) == us(limit_s)


def test_one_pause_is_no_beat() -> None:
    assert heard(0.0, 40.0, 40.1, 40.2).limit_us(us(40.2)) == us(5.0)


def test_a_burst_between_two_slow_beats_hides_none() -> None:
    silence = Silence()
    for round_number in range(3):
        for step in range(100):
            silence.hear(us(10.0 * round_number + 0.001 * step))
    assert silence.limit_us(us(20.1)) == pytest.approx(us(30.0), rel=0.02)


def test_a_beat_is_forgotten_after_ten_minutes() -> None:
    silence = heard(0.0, 20.0, 40.0)
    assert silence.limit_us(us(600.0)) == us(60.0)
    assert silence.limit_us(us(641.0)) == us(5.0)


def test_a_time_of_deafness_is_neither_beat_nor_silence() -> None:
    silence = heard(0.0, 0.1)
    for start_s in (100.0, 200.0):
        silence.restart(us(start_s))
        assert not silence.is_over(us(start_s + 4.9))
        silence.hear(us(start_s + 0.1))
    assert silence.limit_us(us(200.1)) == us(5.0)


def test_a_faster_clock_leaves_a_second_of_real_time() -> None:
    assert heard(0.0, speed=60.0).limit_us(0) == us(60.0)
    assert heard(0.0, speed=2.0).limit_us(0) == us(5.0)


def test_a_rate_is_that_of_the_last_four_whole_seconds() -> None:
    rate = Rate()
    for tenth in range(100):
        rate.add(us(tenth / 10), 3)
    assert rate.hz(us(9.95)) == 30.0
    assert rate.hz(us(12.5)) == 15.0  # two of the four seconds were empty
    assert rate.hz(us(20.0)) == 0.0


def test_a_rate_is_right_before_four_seconds_are_over() -> None:
    rate = Rate()
    assert rate.hz(0) == 0.0
    for tenth in range(15):
        rate.add(us(tenth / 10), 1)
    assert rate.hz(us(0.9)) == 0.0
    assert rate.hz(us(1.5)) == 10.0


def test_tries_come_half_a_second_to_five_seconds_apart_for_ever() -> None:
    back_off = BackOff()
    waits_s = [back_off.next_s() for _ in range(50)]
    assert waits_s[:6] == [0.5, 1.0, 2.0, 5.0, 5.0, 5.0]
    assert set(waits_s[6:]) == {5.0}


def test_only_a_source_that_has_held_begins_anew() -> None:
    back_off = BackOff()
    assert [back_off.next_s(), back_off.next_s()] == [0.5, 1.0]
    back_off.hold(us(4.9))
    assert back_off.next_s() == 2.0
    back_off.hold(us(5.0))
    assert back_off.next_s() == 0.5
