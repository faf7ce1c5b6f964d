"""When an account was heard last, from seconds alone."""

from logger.core.silence import Silences
from logger.core.tick import Cell, Gap, GapLimit, Tick
from tests.builders import us

CURRENT = "pack.current_a"
KEY = "key.on"
FIRST = GapLimit(CURRENT, us(0.5), us(5))


def heard(*ticks: Tick) -> Silences:
    """Return what is known after some seconds."""
    silences = Silences()
    for tick in ticks:
        silences.add(tick)
    return silences


def second(
    index: int, covered_s: float = 0.0, gap: Gap | None = None, *limits: GapLimit
) -> Tick:
    """Return a second in which the current was heard."""
    cell = Cell(1, 4.0, 4.0, 4.0, 4.0 * covered_s, us(covered_s))
    gaps = () if gap is None else (gap,)
    return Tick(index, us(index), us(index + 1), {CURRENT: cell}, gaps, limits)


def test_nothing_is_silent_that_was_never_heard() -> None:
    silences = heard(Tick(0, 0, 0, {}))
    assert silences.latest_us(CURRENT) is None
    assert not silences.is_silent(CURRENT, us(1000))
    assert silences.under_way(us(1000)) == []


def test_what_was_covered_and_what_was_skipped_lead_to_the_newest_sample() -> None:
    # Heard at 0.5 s, covered to 2.2 s, then a gap up to 60.0 s.
    gap = Gap(CURRENT, us(2.2), us(60))
    silences = heard(second(0, 0.0, None, FIRST), second(2, 1.7), second(60, 0.0, gap))
    assert silences.latest_us(CURRENT) == us(60)


def test_a_second_without_the_channel_leaves_it_where_it_was() -> None:
    silences = heard(second(0, 0.0, None, FIRST), Tick(1, us(1), us(2), {}))
    assert silences.latest_us(CURRENT) == us(0.5)


def test_longer_than_the_limit_is_a_gap_under_way() -> None:
    silences = heard(second(0, 0.0, None, FIRST))
    assert silences.under_way(us(5.5)) == []
    assert silences.under_way(us(5.6)) == [Gap(CURRENT, us(0.5), us(5.6))]


def test_a_limit_that_was_learned_holds_from_then_on() -> None:
    learned = GapLimit(CURRENT, us(30.5), us(30))
    silences = heard(second(0, 0.0, None, FIRST), second(30, 30.0, None, learned))
    assert silences.latest_us(CURRENT) == us(30.5)
    assert not silences.is_silent(CURRENT, us(60))
    assert silences.is_silent(CURRENT, us(61))


def test_what_is_no_account_is_not_followed() -> None:
    limit = GapLimit(KEY, 0, us(5))
    gap = Gap(KEY, 0, us(9))
    silences = heard(Tick(9, us(9), us(9), {}, (gap,), (limit,)))
    assert silences.latest_us(KEY) is None
