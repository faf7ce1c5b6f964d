"""Recorded 29-bit networks through the bundled tables.

Sources: n2k-battery-meter and what an independent program made of it, gpsd test suite
(BSD-2-Clause); j1939-machine-start, Tractor Hacking project (MIT); see
tests/data/README.md. Figures: worked out apart from this program, with numpy.
"""

import gzip
import json
import math
from collections import Counter
from collections.abc import Iterator
from functools import lru_cache
from itertools import groupby
from pathlib import Path

import pytest

from logger.decode.assembly import Assembler
from logger.decode.frames import Frame, Reason, Rejected
from logger.decode.j1939 import parameter_group
from logger.store.reader import Log
from logger.van.bundled import read_bundled
from replay.formats.candump import CandumpRecording
from replay.formats.reading import Progress
from replay.formats.timeline import Timeline
from tests.decode.tables import table
from tests.running import DATA, ampledger, exported

CAN = DATA / "can"
METER, MACHINE = CAN / "n2k-battery-meter.log.gz", CAN / "j1939-machine-start.log.gz"
VAN = """
[van]
name = "Recorded battery meter"

[pack]
nameplate_ah = 100.0
series_groups = 4

[[bus]]
name = "network"
interface = "can0"

[[description]]
bus = "network"
bundled = "fast-packet"

[[feed]]
channel = "pack.voltage_v"
bus = "network"
message = "BATTERY_STATUS"
signal = "voltage"
only = { instance = 0 }

[[feed]]
channel = "pack.current_a"
bus = "network"
message = "BATTERY_STATUS"
signal = "current"
address = 176

[[feed]]
channel = "pack.temperature_degc"
bus = "network"
message = "BATTERY_STATUS"
signal = "temperature"
offset = -273.15

[[feed]]
channel = "meter.soc_pct"
bus = "network"
message = "DC_DETAILED_STATUS"
signal = "state_of_charge"

[[feed]]
channel = "meter.health_pct"
bus = "network"
message = "DC_DETAILED_STATUS"
signal = "state_of_health"

[[feed]]
channel = "meter.time_left_s"
bus = "network"
message = "DC_DETAILED_STATUS"
signal = "time_remaining"
"""


def frames(file: Path) -> Iterator[Frame]:
    """Yield the frames of a log."""
    recording = CandumpRecording(file, {"can0": "network"}, Progress())
    for item in recording.items(Timeline()):
        assert isinstance(item, Frame)
        yield item


Message = tuple[str, dict[str, float | int | None]]


@lru_cache
def heard(name: str, file: Path) -> tuple[list[Message], Counter[Reason]]:
    """Return what a bundled table makes of a log, and what was refused."""
    assembler = Assembler(read_bundled(name).bundle.long_groups)
    messages: list[Message] = []
    refused: Counter[Reason] = Counter()
    for frame in frames(file):
        parts = assembler.feed(frame)
        for part in [frame] if parts is None else parts:
            if isinstance(part, Rejected):
                refused[part.reason] += 1
                continue
            decoder = table(name).find(part)
            if decoder is not None:
                values = decoder.decode(part.data)
                assert not isinstance(values, Rejected)
                named = dict(zip(decoder.signals, values, strict=True))
                messages.append((decoder.name, named))
    return messages, refused


def test_a_state_of_charge_of_two_frames_is_recorded(tmp_path: Path) -> None:
    van, log = tmp_path / "van.toml", tmp_path / "van.db"
    van.write_text(VAN)
    ran = ampledger("replay", "--van", van, "--into", log, METER)
    assert ran.code == 0, ran.out
    charge = exported(log, "signals", "--channel", "meter.soc_pct")
    assert sum(int(row["n"]) for row in charge) == 136
    assert {float(row["last"]) for row in charge} == {100.0}
    # State of health is not available (255): no value at all.
    with Log(log) as opened:
        (run,) = opened.runs()
        heard_of = {name for tick in opened.ticks(run.id) for name in tick.cells}
    assert "meter.soc_pct" in heard_of
    assert "meter.health_pct" not in heard_of
    left = exported(log, "signals", "--channel", "meter.time_left_s")
    assert float(left[0]["last"]) == 7324 * 60
    assert float(left[-1]["last"]) == 7186 * 60


def test_battery_status_has_the_figures_of_others(tmp_path: Path) -> None:
    van, log = tmp_path / "van.toml", tmp_path / "van.db"
    van.write_text(VAN)
    assert ampledger("replay", "--van", van, "--into", log, METER).code == 0
    for channel, low, high, mean in (
        ("pack.voltage_v", 12.46, 12.62, 12.590),
        ("pack.current_a", -6.4, -5.8, -5.934),
        ("pack.temperature_degc", 34.86, 35.15, None),
    ):
        rows = exported(log, "signals", "--channel", channel)
        assert sum(int(row["n"]) for row in rows) == 136
        values = [float(row["last"]) for row in rows]
        assert (min(values), max(values)) == pytest.approx((low, high), abs=5e-3)
        if mean is not None:
            assert math.fsum(values) / 136 == pytest.approx(mean, abs=5e-4)
    (trip,) = exported(log, "trips")
    assert float(trip["charge_net_ah"]) == pytest.approx(-0.35113, abs=5e-6)
    assert float(trip["energy_net_wh"]) == pytest.approx(4.4206, abs=6e-4)


def test_positions_are_those_that_an_independent_program_found() -> None:
    messages, _ = heard("fast-packet", METER)
    ours = [
        (round(values["latitude"] or 0.0, 9), round(values["longitude"] or 0.0, 9))
        for name, values in messages
        if name in ("POSITION", "GNSS_POSITION")
    ]
    with gzip.open(CAN / "n2k-battery-meter.expected.ndjson.gz", "rt") as file:
        reports = [json.loads(line) for line in file]
    theirs = [(each["lat"], each["lon"]) for each in reports if "lat" in each]
    # It repeats the newest position with every report; so the changes are compared.
    # Whole ones come by fast packets of seven frames, with more digits than short ones.
    assert [key for key, _ in groupby(ours)] == [key for key, _ in groupby(theirs)]
    assert len([key for key, _ in groupby(ours)]) == 402
    short = [values for name, values in messages if name == "POSITION"]
    for signal, low, high in (
        ("latitude", 37.9220332, 37.9220534),
        ("longitude", 23.0169090, 23.0169400),
    ):
        found = [values[signal] or 0.0 for values in short]
        assert (min(found), max(found)) == pytest.approx((low, high), abs=1e-8)


def test_speeds_are_those_that_an_independent_program_found() -> None:
    messages, _ = heard("fast-packet", METER)
    speeds = {values["speed"] for name, values in messages if name == "COURSE_SPEED"}
    with gzip.open(CAN / "n2k-battery-meter.expected.ndjson.gz", "rt") as file:
        reports = [json.loads(line) for line in file]
    assert speeds == {each["speed"] for each in reports if "speed" in each}
    assert max(speed or 0.0 for speed in speeds) == pytest.approx(0.12)


def test_of_1409_frames_of_positions_all_but_nine_become_messages() -> None:
    messages, refused = heard("fast-packet", METER)
    counts = Counter(name for name, _ in messages)
    # 200 of seven frames; nine frames are left over from messages that lost some.
    assert counts["GNSS_POSITION"] == 200
    assert refused == {Reason.INCOMPLETE: 2}
    # Two frames each: 272 of group 127506.
    assert counts["DC_DETAILED_STATUS"] == 136
    assert (counts["POSITION"], counts["COURSE_SPEED"]) == (2040, 816)


def test_a_machine_s_engine_speed_has_the_figures_of_others() -> None:
    messages, _ = heard("j1939", MACHINE)
    speeds = [
        values["engine_speed"] for name, values in messages if name == "EEC1"
    ]  # fmt: skip
    whole = [speed for speed in speeds if speed is not None]
    assert len(whole) == len(speeds) == 1460
    assert (whole[0], max(whole), whole[-1]) == (0.0, 1010.5, 0.0)
    assert math.fsum(whole) / 1460 == pytest.approx(215.678, abs=5e-4)


def test_a_machine_s_groups_are_counted_as_others_count_them() -> None:
    groups = Counter(parameter_group(frame.can_id) for frame in frames(MACHINE))
    known = {61184: 2512, 61444: 1460, 61443: 1459, 126720: 500, 65266: 292, 65247: 117}
    assert {group: groups[group] for group in known} == known
    assert groups.total() == 7519
