"""The bundled tables of J1939, CANopen, fast packets and the charger pair."""

from typing import get_args

import pytest

from logger.decode.bundles import BUNDLES
from logger.decode.descriptions import Match
from logger.van.bundled import read_bundled
from logger.van.settings import Bundled
from tests.builders import frame
from tests.decode.tables import read, table


# SAE J1939-71: EEC1 bytes 4-5 (from 1) in 0.125 rpm, CCVS bytes 2-3 in 1/256 km/h; the
# two values by a public transcription.
@pytest.mark.parametrize(("can_id", "payload", "name", "value"), [
    (0x0CF00400, "F0 FF FF E0 2E FF FF FF", "engine_speed", 1500.0),
    (0x0CF00427, "F0 FF FF E0 2E FF FF FF", "engine_speed", 1500.0),
    (0x18FEF100, "FF 80 58 FF FF FF FF FF", "wheel_speed", 88.5),
    (0x18FECA00, "40 FF 5B 00 03 01 FF FF", "malfunction_lamp", 1),
    (0x18FECA00, "04 FF 00 00 00 00 FF FF", "warning_lamp", 1),
])  # fmt: skip
def test_a_j1939_group_has_its_value(
    can_id: int, payload: str, name: str, value: float
) -> None:
    assert read("j1939", can_id, payload)[name] == value


# SAE J1939-71, table 1: error and not available by the highest byte; of two bits 2, 3.
@pytest.mark.parametrize(("raw", "is_value"), [
    ("FF FA", True), ("00 FE", False), ("FF FE", False), ("00 FF", False),
    ("FF FF", False),
])  # fmt: skip
def test_error_and_not_available_are_no_speed(raw: str, is_value: bool) -> None:
    speed = read("j1939", 0x0CF00400, f"F0 FF FF {raw} FF FF FF")["engine_speed"]
    assert (speed is not None) is is_value


@pytest.mark.parametrize(("lamps", "value"), [
    ("00", 0), ("40", 1), ("80", None), ("C0", None),
])  # fmt: skip
def test_a_lamp_that_is_in_error_or_not_there_has_no_value(
    lamps: str, value: int | None
) -> None:
    lamp = read("j1939", 0x18FECA00, lamps + " FF 00 00 00 00 FF FF")
    assert lamp["malfunction_lamp"] == value


# The charger pair is common practice, no source; numbers with the most significant byte
# first, worked with cantools apart from this program.
@pytest.mark.parametrize(("payload", "volts", "amps", "stop"), [
    ("0F C0 00 A0 00 00 00 00", 403.2, 16.0, 0),
    ("02 8A 00 C8 00 00 00 00", 65.0, 20.0, 0),
    ("0F 8C 00 00 01 00 00 00", 398.0, 0.0, 1),
])  # fmt: skip
def test_a_charger_s_command_has_its_limits(
    payload: str, volts: float, amps: float, stop: int
) -> None:
    assert read("charger-pair", 0x1806E5F4, payload) == {
        "voltage_limit": pytest.approx(volts),
        "current_limit": pytest.approx(amps),
        "stop": stop,
    }


FLAGS = (
    "hardware_fault",
    "temperature_fault",
    "input_fault",
    "battery_fault",
    "communication_fault",
)


@pytest.mark.parametrize(("payload", "volts", "amps", "flags"), [
    ("0F 7C 00 9E 00 00 00 00", 396.4, 15.8, ()),
    ("00 00 00 00 10 00 00 00", 0.0, 0.0, ("communication_fault",)),
    ("0C 37 00 2A 06 00 00 00", 312.7, 4.2, ("temperature_fault", "input_fault")),
    ("0F BD 00 03 08 00 00 00", 402.9, 0.3, ("battery_fault",)),
    ("0F BD 00 03 01 00 00 00", 402.9, 0.3, ("hardware_fault",)),
])  # fmt: skip
def test_a_charger_s_report_has_its_values_and_flags(
    payload: str, volts: float, amps: float, flags: tuple[str, ...]
) -> None:
    assert read("charger-pair", 0x18FF50E5, payload) == {
        "voltage": pytest.approx(volts),
        "current": pytest.approx(amps),
        **{name: int(name in flags) for name in FLAGS},
    }


def test_the_charger_pair_has_these_numbers_in_a_description() -> None:
    ids = [each.message.frame_id for each in read_bundled("charger-pair").messages]
    # As a DBC writes them, with bit 31 for 29-bit identifiers.
    assert [0x80000000 | each for each in ids] == [2550588916, 2566869221]


# CiA 301: heartbeat at 700 + node, emergency at 080 + node.
@pytest.mark.parametrize("node", [1, 5, 127])
def test_a_canopen_message_is_found_whatever_the_node(node: int) -> None:
    assert read("canopen", 0x700 + node, "05") == {"state": 5}
    emergency = read("canopen", 0x080 + node, "00 30 05 00 00 00 00 00")
    assert emergency == {"code": 0x3000, "error_register": 5}


@pytest.mark.parametrize("can_id", [0x080, 0x700, 0x181, 0x18FF0705])
def test_what_belongs_to_no_node_is_not_found(can_id: int) -> None:
    # 080 is the synchronisation of CANopen, 181 process data of node 1.
    assert table("canopen").find(frame(0, "05", can_id)) is None


# Groups of the recorded network; the payload of 127506 as another reader gives it.
def test_a_battery_s_detailed_status_has_charge_health_and_time() -> None:
    payload = "F3 00 00 64 FF 9C 1C 0A 00"
    status = read("fast-packet", 0x19F212B0, payload)
    assert status["state_of_charge"] == 100
    assert status["state_of_health"] is None  # 255: not available
    assert status["time_remaining"] == 7324 * 60


@pytest.mark.parametrize(("raw", "value"), [
    ("FF 7F", None), ("FE 7F", None), ("FD 7F", 3276.5), ("FF FF", -0.1),
])  # fmt: skip
def test_the_two_highest_codes_of_a_signed_current_are_none(
    raw: str, value: float | None
) -> None:
    current = read("fast-packet", 0x19F214B0, f"00 EC 04 {raw} 69 78 F3")["current"]
    assert current == (None if value is None else pytest.approx(value))


@pytest.mark.parametrize(("group", "payload", "expected"), [
    # 127507, from memory: instance 0, bulk (1) of mode 2, enabled, two minutes
    (127507, "00 01 21 01 02 00",
     {"instance": 0, "battery_instance": 1, "state": 1, "mode": 2, "enabled": 1,
      "equalise_time": 120}),
    # 127751: 35.0 V, -1.00 A (24 bits)
    (127751, "00 01 5E 01 9C FF FF FF", {"voltage": 35.0, "current": -1.0}),
])  # fmt: skip
def test_other_groups_of_that_network_have_their_layout(
    group: int, payload: str, expected: dict[str, float]
) -> None:
    values = read("fast-packet", 0x18000000 | group << 8 | 0xB0, payload)
    assert values == values | expected


@pytest.mark.parametrize("name", BUNDLES)
def test_a_bundled_table_holds_together(name: str) -> None:
    bundled = read_bundled(name)
    described = {(m.name, s) for m in bundled.messages for s in m.signals}
    assert bundled.bundle.without_sign <= described
    groups = bundled.bundle.long_groups
    if bundled.bundle.match is Match.GROUP:
        assert all(each.message.is_extended_frame for each in bundled.messages)
        assert groups.transport | groups.fast <= {
            each.message.frame_id >> 8 & 0x3FFFF for each in bundled.messages
        }


def test_the_van_file_knows_every_bundled_table() -> None:
    assert set(get_args(Bundled)) == set(BUNDLES)
