"""The invented van's physics: the account closes and the charge is what went in."""

from itertools import pairwise

import pytest

from logger.core.chemistry import CURVES, cell_voltage_v
from replay.van_model.boxes import (
    CAPACITY_AH,
    CHARGER_FULL_PCT,
    PACK_OHM,
    START_SOC_PCT,
    STRINGS,
    State,
    next_morning,
    start_state,
    step,
)
from replay.van_model.day import ROUND_S, Phase
from replay.van_model.motion import (
    MASS_KG,
    MAX_POWER_W,
    MAX_REGEN_POWER_W,
    METRES_PER_MOTOR_TURN,
)

DT_S = 0.1
HOURS_6_S = 6 * 3600.0


def states(duration_s: float, dt_s: float, state: State | None = None) -> list[State]:
    """Return the van at every step of a stretch."""
    found = [state or start_state()]
    for _ in range(round(duration_s / dt_s)):
        found.append(step(found[-1], dt_s))
    return found


@pytest.fixture(scope="module")
def one_round() -> list[State]:
    """The van over one round."""
    return states(ROUND_S, DT_S)


def test_the_account_closes_at_every_step(one_round: list[State]) -> None:
    for state in one_round:
        powers = state.powers
        given_w = sum(powers.sun_w) + powers.charger_w
        drawn_w = powers.motor_w + powers.dcdc_w + powers.house_w
        pack_w = state.pack.voltage_v * state.pack.current_a
        assert pack_w == pytest.approx(given_w - drawn_w, abs=1e-6)


def test_the_charge_is_the_integral_of_the_current(one_round: list[State]) -> None:
    passed_ah = sum(state.pack.current_a for state in one_round[1:]) * DT_S / 3600.0
    first, last = one_round[0].pack, one_round[-1].pack
    assert last.charge_ah - first.charge_ah == pytest.approx(passed_ah, abs=1e-9)
    assert last.passed_ah == pytest.approx(passed_ah, abs=1e-9)


def test_the_pack_sags_by_its_resistance(one_round: list[State]) -> None:
    hardest = min(one_round, key=lambda state: state.pack.current_a)
    open_v = 42 * cell_voltage_v(CURVES["nmc532"], hardest.pack.soc_pct)
    sag_v = open_v - hardest.pack.voltage_v
    assert sag_v == pytest.approx(-PACK_OHM * hardest.pack.current_a, abs=0.01)
    assert sag_v > 10.0


def test_regen_charges_the_pack(one_round: list[State]) -> None:
    driven = [each for each in one_round if each.drives.phase is Phase.DRIVING]
    assert max(each.pack.current_a for each in driven) > 50.0
    assert min(each.motion.motor_power_w for each in driven) < -10_000.0


def test_the_motor_keeps_to_its_limits(one_round: list[State]) -> None:
    for state in one_round:
        mechanical_w = state.motion.motor_force_n * state.motion.speed_mps
        assert mechanical_w <= MAX_POWER_W * 1.1
        assert mechanical_w >= -MAX_REGEN_POWER_W * 1.1


def test_the_motor_never_gives_more_than_it_takes(one_round: list[State]) -> None:
    for before, state in pairwise(one_round):
        way_m = state.motion.way_m - before.motion.way_m
        work_w = state.motion.motor_force_n * way_m / DT_S
        assert state.motion.motor_power_w >= work_w - 1e-6


def test_the_van_follows_its_driver(one_round: list[State]) -> None:
    off = [
        abs(state.motion.speed_mps - state.drives.target_speed_mps)
        for state in one_round
    ]
    assert max(off) < 3.0
    assert sum(off) / len(off) < 0.3


def test_motion_keeps_the_energy_of_a_coasting_van() -> None:
    # Speeding up from rest on the flat: what the motor worked is at least what moves.
    drive = states(60.0, DT_S)
    work_j = sum(
        max(0.0, b.motion.motor_force_n) * (b.motion.way_m - a.motion.way_m)
        for a, b in pairwise(drive)
    )
    speed_mps = drive[-1].motion.speed_mps
    assert speed_mps > 5.0
    assert work_j > 0.5 * MASS_KG * speed_mps**2


def test_the_shaft_turns_with_the_wheels(one_round: list[State]) -> None:
    fastest = max(one_round, key=lambda state: state.motion.speed_mps).motion
    metres_per_s = fastest.motor_speed_rpm / 60.0 * METRES_PER_MOTOR_TURN
    assert metres_per_s == pytest.approx(fastest.speed_mps)


def test_six_hours_keep_the_charge_in_the_middle() -> None:
    charges = [state.pack.soc_pct for state in states(HOURS_6_S, 0.5)]
    assert min(charges) > 35.0
    assert max(charges) < 85.0


def test_six_hours_bring_the_charge_down_and_up() -> None:
    charges = [state.pack.soc_pct for state in states(ROUND_S, 0.5)]
    assert max(charges) - min(charges) > 5.0
    assert abs(charges[-1] - charges[0]) < 3.0


def test_the_volts_stay_within_what_42_groups_allow(one_round: list[State]) -> None:
    volts = [state.pack.voltage_v for state in one_round]
    assert min(volts) > 126.0
    assert max(volts) < 176.4


def test_the_sun_comes_string_by_string(one_round: list[State]) -> None:
    best = [max(each.powers.sun_w[place] for each in one_round) for place in range(4)]
    for power_w, (_, rated_w, _) in zip(best, STRINGS, strict=True):
        assert 0.5 * rated_w < power_w < rated_w
    driven = [each for each in one_round if each.drives.phase is Phase.DRIVING]
    assert all(each.powers.sun_w[2:] == (0.0, 0.0) for each in driven)


def test_the_charger_ends_by_itself_when_the_pack_is_full_enough() -> None:
    plugged_in_s = 1200.0
    state = start_state(CHARGER_FULL_PCT - 0.6, plugged_in_s)
    charged = states(400.0, 0.5, state)
    powers = [each.charger.power_w for each in charged]
    assert max(powers) > 1000.0
    assert charged[-1].charger.is_done
    assert powers[-1] == 0.0


def test_the_charger_gives_nothing_unplugged(one_round: list[State]) -> None:
    loose = [each for each in one_round if not each.drives.is_plugged_in]
    assert not any(each.charger.power_w for each in loose)


def test_with_the_key_off_the_12_v_battery_carries_its_side(
    one_round: list[State],
) -> None:
    for state in one_round:
        if state.drives.phase is Phase.STOPPED:
            assert state.powers.dcdc_w == 0.0
            assert state.aux.current_a < 0.0
        else:
            assert state.powers.dcdc_w > 0.0
            assert state.aux.current_a >= 0.0


def test_parts_get_warm_and_not_hot(one_round: list[State]) -> None:
    heats = [state.heat for state in one_round]
    assert 40.0 < max(heat.motor_degc for heat in heats) < 100.0
    assert 30.0 < max(heat.controller_degc for heat in heats) < 80.0
    assert 23.0 < max(heat.pack_degc for heat in heats) < 40.0


def test_the_same_steps_give_the_same_van() -> None:
    assert states(120.0, DT_S)[-1] == states(120.0, DT_S)[-1]


def test_the_next_morning_finds_the_charge_of_the_evening() -> None:
    evening = states(800.0, DT_S)[-1]
    morning = next_morning(evening)
    assert morning.t_us == 0
    assert morning.pack.charge_ah == pytest.approx(evening.pack.charge_ah)
    assert morning.pack.passed_ah == evening.pack.passed_ah


def test_the_van_begins_as_its_file_says() -> None:
    state = start_state()
    assert state.pack.soc_pct == START_SOC_PCT
    assert state.pack.charge_ah == START_SOC_PCT / 100.0 * CAPACITY_AH
