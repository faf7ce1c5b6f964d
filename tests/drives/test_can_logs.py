"""Recorded CAN buses against figures that other decoders found.

Sources: ev-can-power-cycle and its description, Angus Gratton and others (CC0 1.0,
MIT); n2k-battery-meter, gpsd test suite (BSD-2-Clause), its description Apache-2.0; see
tests/data/README.md. Expected figures: two independent decoders that agreed on every
value, and numpy.
"""

import csv
import math
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from logger.decode.descriptions import (
    Form,
    Match,
    MessageTable,
    message_key,
    read_description,
)
from logger.decode.frames import Rejected
from logger.store.reader import Log
from replay.formats.candump import CandumpRecording
from replay.formats.reading import Progress
from replay.formats.timeline import Timeline
from tests.running import DATA, ampledger, exported

CAN = DATA / "can"


def test_a_battery_meter_is_read_whatever_its_source_address(tmp_path: Path) -> None:
    log = tmp_path / "van.db"
    file = CAN / "n2k-battery-meter.log.gz"
    ran = ampledger("replay", "--van", CAN / "n2k-van.toml", "--into", log, file)
    assert ran.code == 0, ran.err
    volts = exported(log, "signals", "--channel", "pack.voltage_v")
    amps = exported(log, "signals", "--channel", "pack.current_a")
    assert sum(int(row["n"]) for row in volts) == 136
    assert sum(int(row["n"]) for row in amps) == 136
    mean_v = math.fsum(float(row["last"]) for row in volts) / 136
    mean_a = math.fsum(float(row["last"]) for row in amps) / 136
    assert mean_v == pytest.approx(12.590, abs=5e-4)
    assert mean_a == pytest.approx(-5.934, abs=5e-4)
    (trip,) = exported(log, "trips")
    assert float(trip["charge_net_ah"]) == pytest.approx(-0.35113, abs=5e-6)
    assert float(trip["energy_net_wh"]) == pytest.approx(4.4206, abs=6e-4)
    # Dated by the log's own stamps; the first frame is (1410714882.622188).
    assert volts[0]["t_utc"].startswith("2014-09-14T17:14:4")


@dataclass(slots=True)
class Seen:
    """What one signal showed over a recording."""

    values: list[float] = field(default_factory=list)


@pytest.fixture(scope="module")
def power_cycle() -> tuple[dict[tuple[str, str], Seen], dict[str, int]]:
    """Return every decoded value of bus 0, and the refusals by message."""
    text = (CAN / "ev-powertrain.dbc").read_text(encoding="cp1252")
    table = MessageTable(
        (message_key(each, Match.IDENTIFIER), each)
        for each in read_description(text, Form.DBC)
    )
    seen: dict[tuple[str, str], Seen] = {}
    refused: dict[str, int] = {}
    log = CandumpRecording(
        CAN / "ev-can-power-cycle.log.gz", {"can0": "drive"}, Progress()
    )
    for frame in log.items(Timeline()):
        decoder = table.find(frame) if frame.bus == "drive" else None
        if decoder is None:
            continue
        values = decoder.decode(frame.data)
        if isinstance(values, Rejected):
            refused[decoder.name] = refused.get(decoder.name, 0) + 1
            continue
        for signal, value in zip(decoder.signals, values, strict=True):
            if value is not None:
                seen.setdefault((decoder.name, signal), Seen()).values.append(value)
    return seen, refused


def expected_signals() -> list[dict[str, str]]:
    """Return the rows of the other decoders' table."""
    with (CAN / "ev-can-power-cycle.signals.csv").open(newline="") as file:
        return list(csv.DictReader(file))


def test_every_signal_of_a_bus_has_the_values_that_others_found(
    power_cycle: tuple[dict[tuple[str, str], Seen], dict[str, int]],
) -> None:
    seen, _ = power_cycle
    expected = expected_signals()
    assert {(row["message"], row["signal"]) for row in expected} == set(seen)
    for row in expected:
        values = seen[row["message"], row["signal"]].values
        found = (
            len(values),
            values[0],
            values[-1],
            min(values),
            max(values),
            math.fsum(values) / len(values),
        )
        columns = ("n", "first", "last", "min", "max", "mean")
        wanted = tuple(float(row[column]) for column in columns)
        # The table is written with six significant digits.
        assert found == pytest.approx(wanted, rel=1e-5, abs=1e-9), row


def test_all_values_of_a_bus_are_counted_and_short_frames_refused(
    power_cycle: tuple[dict[tuple[str, str], Seen], dict[str, int]],
) -> None:
    seen, refused = power_cycle
    assert sum(len(each.values) for each in seen.values()) == 150_793
    # 217 frames of 7 or 4 bytes instead of 8, and 65 of 8 bytes instead of 64.
    assert sorted(refused.values()) == [65, 217]


VAN = """
[van]
name = "Recorded passenger car"

[[bus]]
name = "drive"
interface = "can0"

[[description]]
bus = "drive"
file = "{description}"

[[feed]]
channel = "aux.voltage_v"
bus = "drive"
message = "BatteryCharging"
signal = "Voltage_12V"

[[feed]]
channel = "brake.pressed"
bus = "drive"
message = "ParkingBrake"
signal = "EPB_SWITCH"
"""


def test_short_frames_are_refused_counted_and_told(tmp_path: Path) -> None:
    van, log = tmp_path / "van.toml", tmp_path / "van.db"
    van.write_text(VAN.format(description=CAN / "ev-powertrain.dbc"))
    file = CAN / "ev-can-power-cycle.log.gz"
    ran = ampledger("replay", "--van", van, "--into", log, file)
    assert ran.code == 3  # done, but something needs a look
    assert "message ParkingBrake: 217 x frame shorter than described" in ran.out
    rows = exported(log, "signals", "--channel", "aux.voltage_v")
    # 70 frames; 12.1 V first, 13.4 V at most, and 0 V from a sender that shuts down.
    assert sum(int(row["n"]) for row in rows) == 70
    assert max(float(row["max"]) for row in rows) == pytest.approx(13.4)
    assert float(rows[-1]["last"]) == 0.0


# Engine speed: SAE J1939-71, group 61444, bytes 4 and 5, 0.125 rpm a bit (SPN 190).
SPEED_DBC = f"""VERSION ""
BS_:
BU_: Box
BO_ {0x8CF00400} Speed: 8 Box
 SG_ turns : 24|16@1+ (0.125,0) [0|8031.875] "rpm" Box
"""
SPEED_VAN = """
[van]
name = "Recorded farm machine"

[[bus]]
name = "machine"
interface = "can0"

[[description]]
bus = "machine"
file = "speed.dbc"
match = "group"

[[feed]]
channel = "motor.speed_rpm"
bus = "machine"
message = "Speed"
signal = "turns"
"""


def test_an_undated_log_with_equal_stamps_is_read_whole(tmp_path: Path) -> None:
    # Source: Tractor Hacking project, CAN-data, 2018/19 (MIT); stamps of 1 ms from 0,
    # a fifth of them equal. Figures: the file's own index, worked out apart from this
    # program.
    (tmp_path / "speed.dbc").write_text(SPEED_DBC)
    van, log = tmp_path / "van.toml", tmp_path / "van.db"
    van.write_text(SPEED_VAN)
    file = CAN / "j1939-machine-start.log.gz"
    assert ampledger("replay", "--van", van, "--into", log, file).code == 0
    rows = exported(log, "signals", "--channel", "motor.speed_rpm")
    assert sum(int(row["n"]) for row in rows) == 1460
    assert max(float(row["max"]) for row in rows) == 1010.5
    assert float(rows[-1]["last"]) == 0.0
    # The samples are 20 ms apart, so the mean over samples is that over time.
    with Log(log) as opened:
        (run,) = opened.runs()
        assert run.start_us is None
        cells = [tick.cells["motor.speed_rpm"] for tick in opened.ticks(run.id)]
    mean_rpm = sum(cell.integral for cell in cells) / (
        sum(cell.covered_us for cell in cells) / 1e6
    )
    assert mean_rpm == pytest.approx(215.678, rel=5e-3)
