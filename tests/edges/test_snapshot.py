"""The snapshot: a reader sees the old one or the new one, whole, or none."""

import json
import os
import threading
from dataclasses import replace
from pathlib import Path

import pytest

from logger.clock import boot_id
from logger.core.health import Health
from logger.errors import StoreError
from logger.live import (
    FORM,
    LiveReading,
    LiveSource,
    LiveTrip,
    LiveVan,
    Snapshot,
    SnapshotFile,
)

SNAPSHOT = Snapshot(
    form=FORM,
    program="ampledger test",
    seq=7,
    written_us=5_000_000,
    wall_us=1_700_000_000_123_456,
    is_clock_sure=False,
    speed=8.0,
    van=LiveVan("Curlew", "Europe/Lisbon", "kilometre", "celsius", 12.5),
    run=3,
    readings={
        "pack.current_a": LiveReading(
            -12.5, -12.25, "A", 0.125, 0.1, Health.FRESH, "drive Pack"
        ),
        "pack.voltage_v": LiveReading(
            None, None, "V", 60.0, 0.0, Health.IMPLAUSIBLE, "meter main", "9999 \u00b0"
        ),
        **{
            f"module.{number}.voltage_v": LiveReading(
                12.0, None, "V", 1.0, 1.0, health, "drive Module"
            )
            for number, health in enumerate(Health, start=1)
        },
    },
    sources=(
        LiveSource("bus drive", "open", "", 0.0, 812.5, 0),
        LiveSource("port roof", "lost", "no such file", None, 0.0, 4),
    ),
    trip=LiveTrip(0, 1234.5, None, 80.0, None),
    is_moving=None,
    stops=2,
    desk_entry=41,
    not_stored="",
)


@pytest.fixture
def file(tmp_path: Path) -> SnapshotFile:
    return SnapshotFile(tmp_path / "live.json")


@pytest.mark.parametrize("snapshot", [
    SNAPSHOT,
    replace(SNAPSHOT, trip=None, is_moving=True, sources=(), readings={}),
], ids=["full", "empty"])  # fmt: skip
def test_what_was_written_is_read(snapshot: Snapshot, file: SnapshotFile) -> None:
    file.write(snapshot)
    assert file.read() == snapshot


def test_what_is_missing_is_null_and_a_health_is_a_word(file: SnapshotFile) -> None:
    file.write(SNAPSHOT)
    raw = json.loads(file.path.read_text())
    reading = raw["readings"]["pack.voltage_v"]
    assert (reading["value"], reading["health"]) == (None, "implausible")
    assert raw["sources"][1]["age_s"] is None


def test_a_value_that_is_no_number_is_none(file: SnapshotFile) -> None:
    odd = replace(SNAPSHOT.readings["pack.current_a"], value=float("nan"))
    file.write(replace(SNAPSHOT, readings={"pack.current_a": odd}))
    found = file.read()
    assert found is not None
    assert found.readings["pack.current_a"].value is None


def test_only_the_file_itself_is_left_behind(file: SnapshotFile) -> None:
    file.write(SNAPSHOT)
    file.write(SNAPSHOT)
    assert [each.name for each in file.path.parent.iterdir()] == ["live.json"]


def test_no_file_is_no_snapshot(file: SnapshotFile) -> None:
    assert (file.read(), file.stamp()) == (None, 0)


@pytest.mark.parametrize("content", [
    b"",
    b"{",
    b"null",
    b"[]",
    b"{}",
    b"\xff\xfe\x00",
    b'{"form": 1, "program": "other"}',
    b'{"temperature": 21.5}',
], ids=repr)  # fmt: skip
def test_a_foreign_file_is_no_snapshot(content: bytes, file: SnapshotFile) -> None:
    file.path.write_bytes(content)
    assert file.read() is None


def test_no_part_of_a_snapshot_is_one(file: SnapshotFile) -> None:
    file.write(SNAPSHOT)
    whole = file.path.read_bytes()
    for end in range(0, len(whole), 7):
        file.path.write_bytes(whole[:end])
        assert file.read() is None


@pytest.mark.parametrize(("key", "value"), [
    ("form", FORM + 1),
    ("form", 0),
    ("seq", "seven"),
    ("written_us", 1.5),
    ("sources", None),
    ("is_moving", "perhaps"),
])  # fmt: skip
def test_a_snapshot_of_another_form_is_none(
    key: str, value: object, file: SnapshotFile
) -> None:
    file.write(SNAPSHOT)
    raw = json.loads(file.path.read_text())
    file.path.write_text(json.dumps({**raw, key: value}))
    assert file.read() is None


def test_an_unknown_health_is_no_snapshot(file: SnapshotFile) -> None:
    file.write(SNAPSHOT)
    text = file.path.read_text().replace('"implausible"', '"splendid"')
    file.path.write_text(text)
    assert file.read() is None


def test_a_hammering_reader_only_ever_sees_whole_snapshots(file: SnapshotFile) -> None:
    file.write(replace(SNAPSHOT, seq=0))
    seen: list[int | None] = []
    stop = threading.Event()

    def hammer() -> None:
        while not stop.is_set():
            found = file.read()
            seen.append(None if found is None else found.seq)

    reader = threading.Thread(target=hammer)
    reader.start()
    try:
        # Sizes differ widely, so that a torn file could not pass for a whole one.
        for seq in range(1, 400):
            text = "x" * (seq * 37 % 4001)
            file.write(replace(SNAPSHOT, seq=seq, not_stored=text))
    finally:
        stop.set()
        reader.join()
    numbers = [each for each in seen if each is not None]
    assert numbers
    assert len(numbers) == len(seen)
    assert numbers == sorted(numbers)


def test_the_stamp_changes_with_the_file(file: SnapshotFile) -> None:
    file.write(SNAPSHOT)
    os.utime(file.path, ns=(1_000, 1_000))
    before = file.stamp()
    file.write(SNAPSHOT)
    assert file.stamp() != before


def test_a_logger_that_has_ended_leaves_no_snapshot(file: SnapshotFile) -> None:
    file.write(SNAPSHOT)
    file.remove()
    assert file.read() is None
    file.remove()  # and again: there is nothing to take away


def test_a_folder_that_is_not_there_is_told(tmp_path: Path) -> None:
    file = SnapshotFile(tmp_path / "no" / "live.json")
    with pytest.raises(StoreError, match="no such file or directory"):
        file.write(SNAPSHOT)
    file.remove()


@pytest.mark.parametrize(("now_us", "age_s"), [
    (5_000_000, 0.0), (5_250_000, 0.25), (4_000_000, 0.0)
])  # fmt: skip
def test_the_age_of_a_snapshot_is_told_by_uptime(now_us: int, age_s: float) -> None:
    assert SNAPSHOT.age_s(now_us) == age_s


def test_a_snapshot_of_another_start_of_the_computer_is_none(
    file: SnapshotFile,
) -> None:
    file.write(replace(SNAPSHOT, boot=boot_id()))
    assert file.read() is not None
    file.write(replace(SNAPSHOT, boot="another"))
    assert file.read() is None
