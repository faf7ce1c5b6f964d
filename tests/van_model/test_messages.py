"""What the invented van says: frames within their resolution, lines with checksums."""

import cantools.database
import pytest
from cantools.database.can import Database

from logger.decode.checksums import Checksum
from logger.decode.descriptions import compile_message
from logger.decode.text_lines import LineForm
from replay.van_model.boxes import STRINGS, State, start_state, step
from replay.van_model.files import description_texts
from replay.van_model.lines import LINES, SpokenLine, sealed
from replay.van_model.messages import (
    SAYINGS,
    Saying,
    SpokenFrame,
    charger_status,
    compile_frames,
    group_voltages_v,
)
from replay.van_model.timetable import Spoken, Timetable

PERIODS_US = {
    "PackMain": 100_000,
    "PackCells": 1_000_000,
    "MotorMain": 50_000,
    "Road": 100_000,
    "Charger": 500_000,
    "DcDc": 1_000_000,
}

FRAMES: dict[str, SpokenFrame] = {
    each.message.name: each for each in compile_frames(description_texts())
}
"""Every message of the van by its name."""


@pytest.fixture(scope="module")
def moments() -> list[State]:
    """The van every second or so over more than a round."""
    state, found = start_state(), []
    for number in range(9000):
        state = step(state, 0.5)
        if number % 3 == 0:
            found.append(state)
    return found


@pytest.mark.parametrize("saying", SAYINGS, ids=lambda each: each.message)
def test_a_message_decodes_to_what_was_said(
    saying: Saying, moments: list[State]
) -> None:
    message = FRAMES[saying.message].message
    names = tuple(signal.name for signal in message.signals)
    decoder = compile_message(message)
    for state in moments:
        said = saying.signals(state)
        assert set(said) == set(names)
        decoded = decoder.decode(FRAMES[saying.message].payload(state))
        assert isinstance(decoded, tuple)
        for signal, value in zip(message.signals, decoded, strict=True):
            assert value is not None
            half = signal.scale / 2.0 + 1e-9
            assert value == pytest.approx(float(said[signal.name]), abs=half)


@pytest.mark.parametrize("saying", SAYINGS, ids=lambda each: each.message)
def test_a_message_stays_within_its_described_range(
    saying: Saying, moments: list[State]
) -> None:
    for state in moments:
        FRAMES[saying.message].message.encode(dict(saying.signals(state)), strict=True)


@pytest.mark.parametrize("name", PERIODS_US)
def test_a_message_is_said_at_its_period(name: str) -> None:
    assert FRAMES[name].period_us == PERIODS_US[name]


def test_every_described_message_is_said() -> None:
    described = set()
    for bus, text in description_texts().items():
        database = cantools.database.load_string(text, database_format="dbc")
        assert isinstance(database, Database)
        described |= {(bus, message.name) for message in database.messages}
    assert described == {(saying.bus, saying.message) for saying in SAYINGS}


def test_the_pack_s_box_counts_current_out_of_the_pack(moments: list[State]) -> None:
    charging = max(moments, key=lambda state: state.pack.current_a)
    decoded = FRAMES["PackMain"].message.decode_simple(
        FRAMES["PackMain"].payload(charging)
    )
    assert charging.pack.current_a > 0.0
    assert decoded["Current"] == pytest.approx(-charging.pack.current_a, abs=0.026)


def test_the_weak_group_is_lowest_under_load(moments: list[State]) -> None:
    loaded = min(moments, key=lambda state: state.pack.current_a)
    volts = group_voltages_v(loaded)
    assert len(volts) == 42
    assert volts.index(min(volts)) + 1 == 17
    assert sum(volts) == pytest.approx(loaded.pack.voltage_v, rel=0.01)


def test_the_charger_tells_waiting_charging_and_complete(moments: list[State]) -> None:
    statuses = {
        charger_status(state.drives.is_plugged_in, state.charger) for state in moments
    }
    assert {0, 2} <= statuses <= {0, 1, 2, 3}


FORM = LineForm(
    name="string",
    begins="string,",
    separator=",",
    checksum=Checksum.XOR,
    columns=("kind", "which", "volts", "amps", "watts"),
    fields=("which", "volts", "amps", "watts"),
)


def test_a_line_ends_in_its_checksum() -> None:
    # By hand: 0x61 ^ 0x62 = 0x03.
    assert sealed("ab") == b"ab*03"


@pytest.mark.parametrize("place", range(len(STRINGS)))
def test_a_solar_controller_s_line_tells_its_string(
    place: int, moments: list[State]
) -> None:
    for state in moments:
        decoded = FORM.decode(LINES[place].text(state))
        assert isinstance(decoded, tuple)
        which, *numbers = decoded
        volts, amps, watts = (float(each or "nan") for each in numbers)
        assert which == STRINGS[place][0]
        assert watts == pytest.approx(state.powers.sun_w[place], abs=0.51)
        assert volts * amps == pytest.approx(watts, abs=5.0)


def test_the_meter_s_line_tells_the_pack(moments: list[State]) -> None:
    fields = ("volts", "amps", "charge", "ah")
    form = LineForm("meter", "", ",", Checksum.XOR, None, fields)
    for state in moments:
        decoded = form.decode(LINES[-1].text(state))
        assert isinstance(decoded, tuple)
        volts, amps, charge, passed = (float(each or "nan") for each in decoded)
        assert volts == pytest.approx(state.pack.voltage_v, abs=0.0051)
        assert amps == pytest.approx(state.pack.current_a, abs=0.0051)
        assert passed == pytest.approx(state.pack.passed_ah, abs=0.00051)
        assert charge == pytest.approx(state.pack.soc_pct, abs=2.0)


def test_a_timetable_keeps_every_period() -> None:
    everything: list[Spoken] = [*FRAMES.values(), *LINES]
    table = Timetable(everything, step_us=50_000)
    counts: dict[int, int] = {}
    for number in range(200):  # ten seconds
        for spoken in table.due(number * 50_000):
            counts[id(spoken)] = counts.get(id(spoken), 0) + 1
    for each in everything:
        assert counts[id(each)] == 10_000_000 // each.period_us


def test_a_timetable_says_nothing_too_often() -> None:
    table = Timetable(list(FRAMES.values()), step_us=100_000, slowest_us=2_000_000)
    said = [len(table.due(number * 100_000)) for number in range(20)]
    assert sum(said) == len(FRAMES)


def test_a_period_that_is_no_whole_number_of_steps_is_refused() -> None:
    line = SpokenLine("roof", 70_000, lambda state: "")
    with pytest.raises(ValueError, match="70000 us is no whole number"):
        Timetable([line], step_us=50_000)
