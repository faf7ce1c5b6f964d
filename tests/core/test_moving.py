"""Whether the van is driven: by its speed, and without one by what else is known."""

from collections.abc import Iterable
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.core.moving import Moving, Seen, step
from tests.builders import LAW, us

DRIVES = Moving(is_moving=True)
STANDS = Moving(is_moving=False)
WALKING_MPS = 5.0 / 3.6  # 5 km/h


def after(state: Moving, speeds: Iterable[tuple[float, float]]) -> Moving:
    """Return what is known after these looks: time in s and speed in m/s."""
    for t_s, speed_mps in speeds:
        state = step(state, Seen(us(t_s), speed_mps=speed_mps))
    return state


@pytest.mark.parametrize(("speed_mps", "is_moving"), [
    (0.0, False),
    (WALKING_MPS, False),
    (1.4, True),    # 5.04 km/h
    (-1.4, True),   # in reverse
    (30.0, True),
])  # fmt: skip
def test_the_first_speed_tells_at_once(speed_mps: float, is_moving: bool) -> None:
    assert after(Moving(), [(0, speed_mps)]).is_moving is is_moving


@pytest.mark.parametrize(("last_s", "is_moving"), [(1.9, False), (2.0, True)])
def test_a_van_drives_once_it_is_fast_for_two_seconds(
    last_s: float, is_moving: bool
) -> None:
    assert after(STANDS, [(0, 3.0), (last_s, 3.0)]).is_moving is is_moving


@pytest.mark.parametrize(("last_s", "is_moving"), [(1.9, True), (2.0, False)])
def test_a_van_stands_once_it_is_slow_for_two_seconds(
    last_s: float, is_moving: bool
) -> None:
    assert after(DRIVES, [(0, 0.0), (last_s, 0.0)]).is_moving is is_moving


def test_a_moment_of_the_old_speed_begins_anew() -> None:
    assert after(DRIVES, [(0, 0.0), (1, 9.0), (2, 0.0), (3, 0.0)]).is_moving is True


def test_every_stop_is_counted_once() -> None:
    once = after(DRIVES, [(0, 0.0), (2, 0.0), (4, 0.0), (60, 0.0)])
    assert once.stops == 1
    assert after(once, [(61, 9.0), (63, 9.0), (64, 0.0), (66, 0.0)]).stops == 2


def test_a_start_is_no_stop() -> None:
    assert after(STANDS, [(0, 9.0), (2, 9.0)]).stops == 0


@pytest.mark.parametrize(("seen", "is_moving"), [
    (Seen(0, traction_a=5.1), True),
    (Seen(0, traction_a=-5.1), True),           # regeneration
    (Seen(0, traction_a=5.0), False),
    (Seen(0, traction_a=5.0, is_key_on=True, has_position=True), False),
    (Seen(0, is_key_on=True, has_position=False), True),
    (Seen(0, is_key_on=True, has_position=True), False),
    (Seen(0, is_key_on=True), False),           # no receiver is fitted
    (Seen(0, is_key_on=False, has_position=False), False),
    (Seen(0, traction_a=0.0, is_key_on=True, has_position=False), True),
    (Seen(0, has_position=False), None),        # nobody can tell
    (Seen(0), None),
])  # fmt: skip
def test_without_a_speed_current_key_and_position_tell(
    seen: Seen, is_moving: bool | None
) -> None:
    assert step(Moving(), seen).is_moving is is_moving


def test_a_speed_goes_before_everything_else() -> None:
    seen = Seen(0, speed_mps=0.0, traction_a=50.0, is_key_on=True, has_position=False)
    assert step(Moving(), seen).is_moving is False


def test_a_drive_that_nobody_can_follow_any_more_has_come_to_its_stop() -> None:
    # What a passenger was allowed until the next stop is not allowed for ever.
    assert step(DRIVES, Seen(0)) == Moving(is_moving=None, stops=1)


def test_a_van_that_loses_its_speed_drives_until_the_key_is_off() -> None:
    coasting = Seen(us(60), traction_a=0.0, is_key_on=True)
    assert step(DRIVES, coasting) == Moving(is_moving=True)
    assert step(DRIVES, replace(coasting, is_key_on=False)) == Moving(False, stops=1)


def test_a_van_without_speed_and_key_may_coast_for_half_a_minute() -> None:
    state = step(DRIVES, Seen(us(0), traction_a=0.0))
    state = step(state, Seen(us(29), traction_a=0.0))
    assert state.is_moving is True
    assert step(state, Seen(us(30), traction_a=0.0)) == Moving(False, stops=1)


LOOKS = st.lists(
    st.tuples(
        st.one_of(st.none(), st.floats(-40, 40)),
        st.one_of(st.none(), st.floats(-400, 400)),
        st.sampled_from([None, False, True]),
        st.sampled_from([None, False, True]),
    ),
    max_size=30,
)


@LAW
@given(LOOKS)
def test_stops_rise_by_one_exactly_where_a_drive_ends(
    looks: list[tuple[float | None, float | None, bool | None, bool | None]],
) -> None:
    state = Moving()
    for t_s, look in enumerate(looks):
        before, state = state, step(state, Seen(us(t_s), *look))
        has_ended = before.is_moving is True and state.is_moving is not True
        assert state.stops == before.stops + has_ended
