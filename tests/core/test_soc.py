"""The count against worked examples, and its band against the arithmetic."""

import math
from dataclasses import astuple

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.core.soc import (
    UNKNOWN,
    Count,
    PackSpec,
    band,
    carry,
    count_soc_pct,
    sigma_pct,
    step,
)
from tests.builders import LAW, folded

PACK = PackSpec(capacity_ah=100.0, capacity_sigma_frac=0.02)


# Worked examples of current-sensor errors (arithmetic, no source needed).
def test_an_offset_of_four_tenths_of_an_ampere_is_9_6_ah_a_day() -> None:
    cell, _ = folded((t_s, 0.4) for t_s in range(0, 86401, 5))
    assert cell.integral / 3600 == pytest.approx(9.6)  # 0.4 A x 24 h


def test_9_6_ah_are_10_3_pct_of_93_ah() -> None:
    assert count_soc_pct(0.0, 9.6, 93.0) == pytest.approx(10.3, abs=0.05)


def test_a_ramp_to_100_a_in_a_minute_is_0_83333_ah() -> None:
    cell, _ = folded((t_s, t_s / 60 * 100) for t_s in range(61))
    assert cell.integral / 3600 == pytest.approx(0.83333, abs=5e-6)  # 3000 As


def test_a_gain_of_one_percent_on_50_ah_is_half_an_ah() -> None:
    true_pct = count_soc_pct(0.0, 50.0, 100.0)
    seen_pct = count_soc_pct(0.0, 50.0 * 1.01, 100.0)
    assert seen_pct - true_pct == pytest.approx(0.5)  # 0.5 Ah of 100 Ah


def test_charge_out_of_the_pack_lowers_the_count() -> None:
    assert count_soc_pct(80.0, -25.0, 50.0) == 30.0  # 25 Ah are half of 50 Ah


@pytest.mark.parametrize(
    ("is_measured", "capacity_ah", "sigma_frac"),
    [
        (True, 100.0, 0.02),  # a measured capacity stands, to 2 %
        (False, 95.0, 0.09),  # a nameplate counts for 95 %, to 9 %
    ],
)
def test_a_nameplate_is_taken_for_less_than_a_measurement(
    is_measured: bool, capacity_ah: float, sigma_frac: float
) -> None:
    assert PackSpec.of(100.0, is_measured) == PackSpec(capacity_ah, sigma_frac)


def test_a_step_moves_the_count_and_gathers_the_time() -> None:
    # 2 Ah into 100 Ah are 2 %.
    before = Count(50.0, moved_pct=-7.0, counted_s=10.0, unseen_s=3.0)
    after = step(before, charge_ah=2.0, counted_s=1.0, unseen_s=6.0, pack=PACK)
    assert after == Count(52.0, moved_pct=-5.0, counted_s=11.0, unseen_s=9.0)


def test_an_unknown_start_stays_unknown() -> None:
    after = step(UNKNOWN, charge_ah=2.0, counted_s=1.0, unseen_s=0.0, pack=PACK)
    assert after.counted_pct is None


def test_what_moved_is_known_without_a_start() -> None:
    after = step(UNKNOWN, charge_ah=2.0, counted_s=1.0, unseen_s=0.0, pack=PACK)
    assert after.moved_pct == 2.0


def test_nothing_is_shown_while_the_start_is_unknown() -> None:
    assert band(UNKNOWN, PACK) is None


@pytest.mark.parametrize(
    ("count", "sigma"),
    [
        (Count(50.0, start_sigma_pct=3.0), 3.0),  # the start alone
        (Count(50.0, counted_s=36000.0), 1.5),  # 0.15 A x 10 h = 1.5 Ah of 100 Ah
        (Count(50.0, unseen_s=1800.0), 6.0),  # half an hour at 12 % an hour
        (Count(50.0, moved_pct=-50.0), 1.0),  # 2 % of 50 %
        # all at once: sqrt(9 + 2.25 + 36 + 1)
        (Count(50.0, -50.0, 3.0, 36000.0, 1800.0), math.sqrt(48.25)),
    ],
)
def test_the_spread_is_the_root_of_the_sum_of_squares(
    count: Count, sigma: float
) -> None:
    assert sigma_pct(count, PACK) == pytest.approx(sigma)


def test_the_band_holds_95_percent_and_a_floor() -> None:
    # 1.96 x 5 + 0.4 = 10.2 each way.
    shown = band(Count(50.0, start_sigma_pct=5.0), PACK)
    assert shown is not None
    assert astuple(shown) == pytest.approx((50.0, 39.8, 60.2))


@LAW
@given(st.floats(0, 100), st.floats(0, 50), st.floats(0, 1e5), st.floats(0, 1e5))
def test_the_band_never_narrows_with_time(
    counted_pct: float, start_sigma_pct: float, counted_s: float, unseen_s: float
) -> None:
    before = Count(counted_pct, start_sigma_pct=start_sigma_pct)
    after = step(before, 0.0, counted_s, unseen_s, PACK)
    assert sigma_pct(after, PACK) >= sigma_pct(before, PACK)


@LAW
@given(st.floats(-300, 300), st.floats(0, 100))
def test_what_is_shown_is_held_within_0_to_100(
    counted_pct: float, start_sigma_pct: float
) -> None:
    shown = band(Count(counted_pct, start_sigma_pct=start_sigma_pct), PACK)
    assert shown is not None
    assert 0 <= shown.low_pct <= shown.soc_pct <= shown.high_pct <= 100


def test_the_bare_count_is_not_held() -> None:
    after = step(Count(99.0), charge_ah=5.0, counted_s=1.0, unseen_s=0.0, pack=PACK)
    assert after.counted_pct == 104.0


def test_a_count_is_carried_with_the_spread_of_the_time_between() -> None:
    # 7 points, and 2 h unseen at 12 % an hour: sqrt(49 + 576) = 25.
    carried = carry(Count(61.5, start_sigma_pct=7.0), 7200.0)
    assert carried.counted_pct == 61.5
    assert sigma_pct(carried, PACK) == pytest.approx(25.0)


def test_cutting_a_count_into_runs_changes_no_band() -> None:
    whole = step(Count(80.0), -50.0, counted_s=36_000.0, unseen_s=0.0, pack=PACK)
    cut = Count(80.0)
    for _ in range(10):
        cut = carry(step(cut, -5.0, counted_s=3600.0, unseen_s=0.0, pack=PACK), 0.0)
    assert cut.counted_pct == pytest.approx(whole.counted_pct)
    assert sigma_pct(cut, PACK) == pytest.approx(sigma_pct(whole, PACK))
