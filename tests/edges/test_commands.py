"""The commands as a person types them: what they print and how they end."""

import gzip
import os
import sqlite3
import subprocess
from collections.abc import Sequence
from contextlib import closing
from itertools import islice
from pathlib import Path

import pytest

from logger.core.tick import Tick
from logger.core.trips import Trip
from logger.decode.frames import Item
from logger.pipeline.chain import Pipeline
from logger.pipeline.spec import Balance, Output
from logger.store.reader import Log
from logger.store.rows import Batch
from logger.store.whole import whole_ticks
from logger.store.writer import RunStart, Writer
from logger.van.reading import read_van
from replay.formats.reading import digest
from tests.builders import orderly
from tests.running import COMMAND, DATA, Ran, ampledger, exported

EV = DATA / "ev"
A03 = EV / "ev-trip-a03.csv.gz"
METER = DATA / "can" / "n2k-battery-meter.log.gz"
METER_VAN = DATA / "can" / "n2k-van.toml"


@pytest.fixture(scope="module")
def log(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a log of the battery meter's recording."""
    path = tmp_path_factory.mktemp("log") / "van.db"
    assert ampledger("replay", "--van", METER_VAN, "--into", path, METER).code == 0
    return path


def played(items: Sequence[Item], chunk: int) -> list[Output]:
    """Return what the pipeline of the battery meter makes of items."""
    pipeline = Pipeline(read_van(METER_VAN).spec)
    outputs: list[Output] = []
    source = iter(items)
    while part := list(islice(source, chunk)):
        outputs += pipeline.feed(part)
    return outputs + pipeline.finish()


@pytest.mark.parametrize("chunk", [1, 997, 10**6])
def test_the_raw_recording_replays_to_the_same_rows(log: Path, chunk: int) -> None:
    with Log(log) as opened:
        (run,) = opened.runs()
        raw = list(opened.raw(run.id))
        assert len(raw) == 10_495  # the frames of the recording (its origin's count)
        outputs = played(raw, chunk)
        ticks = list(map(orderly, whole_ticks(opened, run.id)))
        assert [orderly(each) for each in outputs if isinstance(each, Tick)] == ticks
        assert [each for each in outputs if isinstance(each, Trip)] == (
            opened.trips(run.id)
        )
        closing_output = outputs[-1]
        assert isinstance(closing_output, Balance)
        assert closing_output.totals == opened.totals(run.id)


def test_the_statement_says_what_was_found_and_cautions(tmp_path: Path) -> None:
    ran = ampledger("replay", "--van", EV / "van.toml", "--into", tmp_path / "a", A03)
    assert ran.code == 0
    for text in (
        "12.82 km (7.97 mi)",
        "2.409 kWh out, 0.455 kWh in, 1.954 kWh net",
        "-5.200 Ah into the pack",
        "83.5 % of charge at the start, 75.1 % at the end",
        "No date in the recording; --start with --again gives it one.",
        "Estimates, not promises",
        "High voltage can kill",
    ):
        assert text in ran.out
    assert "1 of 1: ev-trip-a03.csv.gz" in ran.err


def test_a_recording_is_never_booked_twice(tmp_path: Path) -> None:
    words = ("replay", "--van", EV / "van.toml", "--into", tmp_path / "van.db", A03)
    assert ampledger(*words).code == 0
    again = ampledger(*words)
    assert again.code == 3
    assert "is in the log already, as run 1" in again.out
    assert len(exported(tmp_path / "van.db", "trips")) == 1
    # Packed or not, it is the same recording.
    plain = tmp_path / "drive.csv"
    plain.write_bytes(gzip.decompress(A03.read_bytes()))
    assert ampledger(*words[:-1], plain).code == 3


def test_a_recording_played_again_takes_the_place_of_its_run(tmp_path: Path) -> None:
    path = tmp_path / "van.db"
    words = ("replay", "--van", EV / "van.toml", "--into", path)
    assert ampledger(*words, A03).code == 0
    ran = ampledger(*words, "--again", "--start", "2019-06-28T10:02:15Z", A03)
    assert ran.code == 0
    (trip,) = exported(path, "trips")
    assert trip["start_utc"] == "2019-06-28T10:02:15.000Z"


def test_a_recording_that_feeds_nothing_needs_a_look(tmp_path: Path) -> None:
    van = tmp_path / "van.toml"
    van.write_text("[van]\nname = 'Nothing described'\n")
    ran = ampledger("replay", "--van", van, "--into", tmp_path / "van.db", METER)
    assert ran.code == 3
    assert "Nothing in this recording feeds a channel" in ran.out
    assert "Frames that feed no channel: 10495." in ran.out


def test_a_replay_that_was_stopped_half_way_is_done_anew(tmp_path: Path) -> None:
    path = tmp_path / "van.db"
    with Writer(path) as writer:
        run = writer.begin_run(
            RunStart(A03.name, digest(A03), None, False, 0, "test", "", {})
        )
        writer.write(run, Batch())
    assert ampledger("replay", "--van", EV / "van.toml", "--into", path, A03).code == 0
    assert len(exported(path, "trips")) == 1


def limited(kilobytes: int, *words: str | Path) -> Ran:
    """Run the command where no file may grow beyond some size: a full card."""
    done = subprocess.run(
        ["sh", "-c", f'ulimit -f {kilobytes * 2}; exec "$@"', "sh", COMMAND, *words],
        capture_output=True,
        text=True,
        check=False,
    )
    assert "Traceback" not in done.stderr, done.stderr
    return Ran(done.returncode, done.stdout, done.stderr)


def test_a_full_card_is_told_in_one_message(tmp_path: Path) -> None:
    into = ("--into", tmp_path / "van.db")
    ran = limited(60, "replay", "--van", METER_VAN, *into, METER)
    assert ran.code == 1
    assert "see that the disk has room" in ran.err


def test_an_older_run_stays_until_the_newer_one_is_whole(tmp_path: Path) -> None:
    path = tmp_path / "van.db"
    words = ("replay", "--van", METER_VAN, "--into", path)
    assert ampledger(*words, METER).code == 0
    before = exported(path, "signals")
    size_kb = path.stat().st_size // 1024
    assert limited(size_kb - 40, *words, "--again", METER).code == 1
    assert exported(path, "signals") == before
    assert ampledger(*words, "--again", METER).code == 0
    after = exported(path, "signals")
    assert [row["mean"] for row in after] == [row["mean"] for row in before]
    assert len(exported(path, "trips")) == 1


def test_two_cut_off_recordings_are_two(tmp_path: Path) -> None:
    lines = [f"(1700000000.{i:06d}) can0 123#{i:04X}\n" for i in range(100, 400)]
    van = tmp_path / "van.toml"
    van.write_text("[van]\nname = 'Nothing described'\n")
    files = []
    for number, part in enumerate((lines[:150], lines[150:])):
        files.append(tmp_path / f"{number}.log.gz")
        files[-1].write_bytes(gzip.compress("".join(part).encode())[:-20])
    ran = ampledger("replay", "--van", van, "--into", tmp_path / "van.db", *files)
    assert ran.code == 3
    assert ran.out.count("The file breaks off") == 2


def test_a_recording_that_is_no_plain_file_is_refused(tmp_path: Path) -> None:
    pipe = tmp_path / "pipe.log"
    os.mkfifo(pipe)
    ran = ampledger("replay", "--van", METER_VAN, "--into", tmp_path / "van.db", pipe)
    assert ran.code == 1
    assert "no plain file" in ran.err


def test_a_file_name_of_any_bytes_is_told(tmp_path: Path) -> None:
    file = tmp_path / os.fsdecode(b"caf\xe9.log.gz")
    file.write_bytes(METER.read_bytes())
    ran = ampledger("replay", "--van", METER_VAN, "--into", tmp_path / "van.db", file)
    assert ran.code == 0
    assert "caf\\xe9.log.gz" in ran.out


def test_a_log_may_be_called_anything(tmp_path: Path) -> None:
    done = subprocess.run(
        [COMMAND, "replay", "--van", METER_VAN, "--into", ":memory:", METER],
        cwd=tmp_path,
        check=True,
        capture_output=True,
    )
    assert done.stderr
    assert (tmp_path / ":memory:").is_file()


def test_an_export_never_takes_the_place_of_its_log(log: Path) -> None:
    before = log.read_bytes()
    ran = ampledger("export", log, "trips", "--output", log)
    assert ran.code == 1
    assert "the log itself" in ran.err
    assert log.read_bytes() == before


def test_an_export_to_a_full_card_is_told(log: Path, tmp_path: Path) -> None:
    ran = ampledger("export", log, "signals", "--output", "/dev/full")
    assert (ran.code, "no space left" in ran.err) == (1, True)
    done = subprocess.run(
        f"'{COMMAND}' export '{log}' signals > /dev/full",
        shell=True,
        capture_output=True,
        text=True,
        check=False,
    )
    assert (done.returncode, "Traceback" in done.stderr) == (1, False)
    target = tmp_path / "old.csv"
    target.write_text("kept\n")
    assert limited(1, "export", log, "signals", "--output", target).code == 1
    assert target.read_text() == "kept\n"


def test_an_export_is_utf_8_whatever_the_terminal_is(log: Path) -> None:
    done = subprocess.run(
        [COMMAND, "export", log, "signals", "--channel", "pack.temperature_degc"],
        env={**os.environ, "PYTHONIOENCODING": "ascii"},
        capture_output=True,
        check=True,
    )
    assert "°C" in done.stdout.decode("utf-8")


def test_one_start_is_asked_for_each_file_without_a_date(tmp_path: Path) -> None:
    a04 = EV / "ev-trip-a04.csv.gz"
    into = ("replay", "--van", EV / "van.toml", "--into", tmp_path / "van.db")
    ran = ampledger(*into, "--start", "2019-06-28T10:02:15Z", A03, a04)
    assert ran.code == 2
    assert "1 for 2 files without dates" in ran.err
    for start, told in (
        ("yesterday", "'yesterday' is no date"),
        ("0001-01-01T00:00:00+14:00", "not from 2000 to 2100"),
        ("9999-12-31T23:59:00-12:00", "not from 2000 to 2100"),
    ):
        ran = ampledger(*into, "--start", start, A03)
        assert ran.code == 2
        assert told in ran.err
    assert not (tmp_path / "van.db").exists()


def test_an_undated_run_keeps_the_recordings_own_seconds(tmp_path: Path) -> None:
    path = tmp_path / "van.db"
    ampledger("replay", "--van", EV / "van.toml", "--into", path, A03)
    rows = exported(path, "soc")
    assert rows[0]["t_utc"] == ""
    assert float(rows[-1]["t_s"]) == pytest.approx(670.5)
    with Log(path) as opened:
        assert not opened.runs()[0].is_start_sure


def test_raw_frames_are_left_out_when_asked(tmp_path: Path) -> None:
    path = tmp_path / "van.db"
    ampledger("replay", "--no-keep-raw", "--van", METER_VAN, "--into", path, METER)
    with closing(sqlite3.connect(path)) as connection:
        assert connection.execute("SELECT count(*) FROM raw_block").fetchone() == (0,)


def test_exports_have_the_headers_of_the_interface(log: Path) -> None:
    def header(what: str) -> str:
        return ampledger("export", log, what).out.splitlines()[0]

    assert header("trips") == (
        "run,start_utc,end_utc,duration_s,skipped_s,distance_m,energy_out_wh,"
        "energy_in_wh,energy_net_wh,used_wh,wh_per_km,wh_per_mi,charge_net_ah,"
        "soc_start_pct,soc_end_pct,soc_low_end_pct,soc_high_end_pct,"
        "soc_counted_change_pct,sun_wh,shore_wh"
    )
    assert header("soc") == (
        "t_utc,t_s,soc_pct,soc_low_pct,soc_high_pct,soc_counted_pct"
    )
    assert header("signals") == "t_utc,t_s,run,channel,unit,n,min,max,mean,last"


def test_an_export_goes_to_a_file_when_asked(log: Path, tmp_path: Path) -> None:
    target = tmp_path / "trips.csv"
    ran = ampledger("export", log, "trips", "--output", target)
    assert (ran.code, ran.out) == (0, "")
    assert target.read_text() == ampledger("export", log, "trips").out


@pytest.mark.parametrize(
    ("words", "code", "told"),
    [
        (("export", "nothing.db", "trips"), 1, "no such file"),
        (("export", "LOG", "everything"), 2, "'everything' is not one of"),
        (("export", "LOG", "signals", "--channel", "pack.amps"), 2, "not in this log"),
        (("export", "LOG", "soc", "--channel", "pack.current_a"), 2, "signals only"),
        (("export", "LOG", "trips", "--output", "/no/folder/x"), 1, "no such file"),
        (("replay", "--van", "VAN", "--into", "LOG"), 2, "FILE"),
        (("replay", "--van", "VAN", "--into", "LOG", "lost.log"), 2, "lost.log"),
        (("replay", "--van", "lost.toml", "--into", "LOG", "VAN"), 2, "no such file"),
        (("replay", "--van", "VAN", "--into", "LOG", "VAN"), 1, "neither a CAN log"),
        (("replay", "--van", "VAN", "--into", "VAN", "RECORD"), 1, "not a database"),
        (("fly",), 2, "No such command"),
    ],
)
def test_a_wrong_call_is_answered_in_one_message(
    words: tuple[str, ...], code: int, told: str, log: Path
) -> None:
    stands_for = {"LOG": log, "VAN": METER_VAN, "RECORD": METER}
    ran = ampledger(*(stands_for.get(word, word) for word in words))
    assert ran.code == code, ran.err
    assert told in ran.err


def test_help_and_version_are_given() -> None:
    ran = ampledger("--help")
    assert ran.code == 0
    for name in ("check", "export", "replay"):
        assert name in ran.out
    assert "High voltage can kill" in ran.out
    assert ampledger("--version").out.startswith("ampledger 0.")


def test_a_reader_that_leaves_early_is_no_fault(log: Path) -> None:
    done = subprocess.run(
        f"'{COMMAND}' export '{log}' signals | head -n 1",
        shell=True,
        capture_output=True,
        text=True,
        check=True,
    )
    assert done.stderr == ""
    assert done.stdout.startswith("t_utc")


def test_a_count_is_carried_from_run_to_run(tmp_path: Path) -> None:
    van = tmp_path / "van.toml"
    text = (EV / "van.toml").read_text()
    van.write_text(text.replace("start_from_meter = true", "start_soc_pct = 83.5"))
    path = tmp_path / "van.db"
    a04 = EV / "ev-trip-a04.csv.gz"
    into = ("replay", "--van", van, "--into", path)
    ampledger(*into, "--start", "2019-06-28T10:02:15Z", A03)
    ampledger(*into, "--start", "2019-06-28T10:13:30Z", a04)
    first, second = exported(path, "trips")
    assert second["soc_start_pct"] == first["soc_end_pct"]
    # The band never narrows without evidence.
    assert float(second["soc_low_end_pct"]) < float(first["soc_low_end_pct"])


def test_a_damaged_log_is_told_and_ends_in_no_traceback(tmp_path: Path) -> None:
    path = tmp_path / "van.db"
    assert ampledger("replay", "--van", EV / "van.toml", "--into", path, A03).code == 0
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("UPDATE block SET cells = x'00'")
        connection.commit()
    ran = ampledger("export", path, "signals")
    assert (ran.code, "The log is damaged" in ran.err) == (1, True)
    body = bytearray(path.read_bytes())
    body[40_000:300_000] = os.urandom(260_000)
    path.write_bytes(body)
    assert ampledger("export", path, "signals").code == 1
