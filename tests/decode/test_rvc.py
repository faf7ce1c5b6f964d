"""The bundled table of RV-C against worked frames.

Source: RV-C by public transcriptions, sections named; frames packed with Python's
struct and decoded with cantools, apart from this program. Table 5.3: V in 0.05, A (16
bits) in 0.05 from -1600, A (32 bits) in 0.001 from -2,000,000, °C (16 bits) in 1/32
from -273, % in 0.5, all ones no data.
"""

import pytest

from logger.decode.descriptions import DescribedMessage
from logger.van.bundled import read_bundled
from tests.decode.tables import read

SENDERS = (0x46, 0x8C)
"""Any source address: 46 and 8C are two of them."""

BULK, FLOAT = 2, 6
"""Operating states, 6.21."""


@pytest.mark.parametrize(("group", "payload", "expected"), [
    # 6.5.2, DC_SOURCE_STATUS_1
    (0x1FFFD, "01 78 58 1B 3E E3 34 77",
     {"instance": 1, "device_priority": 120, "voltage": 350.00, "current": -45.250}),
    (0x1FFFD, "01 78 01 01 00 94 35 77", {"voltage": 12.85, "current": 0.0}),
    (0x1FFFD, "01 78 F8 1E 44 DC 35 77", {"voltage": 396.40, "current": 18.5}),
    # DC_SOURCE_STATUS_2
    (0x1FFFC, "01 78 40 25 A7 9C 01 FF",
     {"temperature": 25.0, "state_of_charge": 83.5, "time_remaining": 412}),
    (0x1FFFC, "01 78 E0 20 00 FF FF FF",
     {"temperature": -10.0, "state_of_charge": 0.0, "time_remaining": None}),
    # DC_SOURCE_STATUS_3
    (0x1FFFB, "01 78 C2 5D 00 B1 78 00",
     {"state_of_health": 97.0, "capacity_remaining": 93, "relative_capacity": 88.5,
      "ripple": 0.120}),
    # 6.21, CHARGER_STATUS
    (0x1FFC7, "01 22 1F 49 7E B0 02 05",
     {"voltage": 398.50, "current": 16.45, "share_of_current": 88.0, "state": BULK,
      "on_at_power_up": 1, "auto_recharge": 1, "forced": 0}),
    (0x1FFC7, "02 20 01 FF 7C 00 06 00",
     {"voltage": 14.40, "current": -0.05, "share_of_current": 0.0, "state": FLOAT}),
    # CHARGER_STATUS_2
    (0x1FEA3, "01 01 50 22 1F 49 7E 51",
     {"dc_instance": 1, "device_priority": 80, "voltage": 398.50, "current": 16.45,
      "temperature": 41}),
    # SOLAR_CONTROLLER_STATUS and _SOLAR_ARRAY_STATUS
    (0x1FEB3, "01 2A 1F 7F 7D A9 02 01",
     {"voltage": 398.90, "current": 6.35, "share_of_current": 84.5, "state": BULK}),
    (0x1FDFF, "01 B0 07 98 7D FF FF FF", {"voltage": 98.40, "current": 7.60}),
    # DATE_TIME_STATUS: Friday, 2024-06-21 19:00:00, zone 0 (GMT)
    (0x1FFFF, "18 06 15 06 13 00 00 00",
     {"year": 2024, "month": 6, "day": 21, "weekday": 6, "hour": 19, "minute": 0,
      "second": 0, "time_zone": 0}),
])  # fmt: skip
@pytest.mark.parametrize("sender", SENDERS)
def test_a_worked_frame_has_its_values(
    group: int, payload: str, expected: dict[str, float | None], sender: int
) -> None:
    values = read("rv-c", 0x18000000 | group << 8 | sender, payload)
    assert values == values | {
        name: None if value is None else pytest.approx(value, abs=1e-9)
        for name, value in expected.items()
    }


# The other groups: layouts of the same transcriptions, payloads written by hand.
@pytest.mark.parametrize(("group", "payload", "expected"), [
    # 6.5.5: desired 14.40 V (288) and 50 A (0x7D00 + 1000 = 0x80E8), float, type 3
    (0x1FEC9, "01 78 06 20 01 E8 80 F3",
     {"desired_state": FLOAT, "desired_voltage": 14.4, "desired_current": 50.0,
      "battery_type": 3}),
    # 6.5.6: 12.345 V, falling by 20 mV/s (31980)
    (0x1FEC8, "01 78 39 30 00 00 EC 7C", {"voltage": 12.345, "voltage_rate": -20}),
    # 6.5.7: high voltage disconnect, low temperature limit, high current limit on
    (0x1FEC7, "01 78 04 10 10 FF FF FF",
     {"high_voltage_limit": 0, "high_voltage_disconnect": 1, "low_temperature_limit": 1,
      "high_current_limit": 1}),
    (0x1FEAC, "01 78 0A 00 14 00 FF FF", {"today_in": 10, "today_out": 20}),
    (0x1FEAB, "01 78 0B 00 15 00 FF FF", {"yesterday_in": 11, "yesterday_out": 21}),
    (0x1FEAA, "01 78 0C 00 16 00 FF FF", {"day_before_in": 12, "day_before_out": 22}),
    (0x1FEA9, "01 78 0D 00 17 00 FF FF",
     {"last_7_days_in": 13, "last_7_days_out": 23}),
    (0x1FEA5, "01 78 45 5D 00 E8 03 FF",
     {"discharge_on": 1, "charge_on": 1, "charge_detected": 0, "reserve": 1,
      "full_capacity": 93, "power": 1000}),
    # 230 V (4600), 16 A (0x7D00 + 320 = 0x7E40), 50 Hz (6400), input, line 1
    (0x1FFCA, "11 F8 11 40 7E 00 19 01",
     {"instance": 1, "line": 1, "is_output": 0, "voltage": 230.0, "current": 16.0,
      "frequency": 50.0, "open_ground": 1, "open_neutral": 0}),
    (0x1FFC8, "41 00 66 0D 10 00 0A",
     {"is_output": 1, "real_power": 3430, "reactive_power": 16, "distortion": 5.0}),
    (0x1FE83, "01 2A 00 2B 00 2C 00", {"today": 42, "yesterday": 43, "day_before": 44}),
    (0x1FE82, "01 64 00 E8 03 00 00", {"last_7_days": 100, "cumulative": 1000}),
    (0x1FE81, "01 6E 01 40 25", {"operating_time": 366, "temperature": 25.0}),
    (0x1FE80, "01 FF FF 20 01 E8 80 51",
     {"voltage": 14.4, "current": 50.0, "temperature": 41}),
    # 6.43.2: closed, 12.85 V, 0 A
    (0x1FED0, "01 05 01 01 00 94 35 77",
     {"circuit": 1, "last_command": 1, "bypass": 0, "voltage": 12.85, "current": 0.0}),
    (0x1FFD4, "01 02 05", {"state": 2, "battery_sensor": 1, "load_sense": 1}),
    (0x1FEE8, "01 20 01 E8 80", {"voltage": 14.4, "current": 50.0}),
    (0x1FEBD, "01 40 25 E0 20", {"transistors": 25.0, "transformer": -10.0}),
    # 40 N 105 W: (40 + 210) and (-105 + 210) in 1e-7 degrees; layout from memory
    (0x0FEF3, "00 F9 02 95 80 BA 95 3E", {"latitude": 40.0, "longitude": -105.0}),
    (0x1FECA, "51 46 01 02 A5 83 FF F1", {"yellow_lamp": 1, "red_lamp": 1}),
])  # fmt: skip
def test_every_other_group_has_its_layout(
    group: int, payload: str, expected: dict[str, float]
) -> None:
    values = read("rv-c", 0x18000000 | group << 8 | 0x46, payload)
    assert values == values | {
        name: pytest.approx(value, abs=1e-6) for name, value in expected.items()
    }


@pytest.mark.parametrize(
    "message", read_bundled("rv-c").messages, ids=lambda each: each.name
)
def test_all_ones_are_no_value(message: DescribedMessage) -> None:
    # Table 5.3: all ones is no data.
    answer = message.decode(b"\xff" * message.message.length)
    assert isinstance(answer, tuple)
    assert set(answer) == {None}
