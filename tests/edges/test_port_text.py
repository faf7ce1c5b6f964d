"""The text of a serial port as a recording: its port, its times, its noise."""

from functools import reduce
from operator import xor
from pathlib import Path

import pytest

from logger.decode.frames import Frame, Line, Raw
from logger.errors import RecordingError
from logger.store.writer import Writer
from replay.formats.opening import Known, open_known
from replay.formats.reading import Progress, Recording
from replay.formats.sentence_clock import SentenceClock, sentence_fields
from replay.formats.stamping import NO_WISH, Wish
from replay.formats.timeline import Timeline
from tests.edges.export_logs import record_raw
from tests.running import ampledger

BY_SENTENCES = Wish(by_sentences=True)


def sentence(body: str) -> str:
    """Return a sentence with its checksum."""
    return f"${body}*{reduce(xor, body.encode(), 0):02X}"


TEXT = "\r\n".join(
    [
        sentence("GPGSV,1,1,00"),
        sentence("GPRMC,235959.50,V,,,,,,,060180,,,N"),  # no fix: its date is none
        sentence("GPRMC,235959.50,A,5213.0,N,00012.0,E,1.0,0.0,200624,,,A"),
        "$GPGGA,000000.50,5213.0,N,00012.0,E,1*00",  # a wrong checksum
        "\x00\xff noise",
        sentence("GPGGA,000000.50,5213.0,N,00012.0,E,1,08,1.0,9.0,M,,,,"),
        sentence("GPRMC,000001.50,A,5213.0,N,00012.0,E,1.0,0.0,210624,,,A"),
        "",
    ]
)


def read(
    folder: Path, text: str, wish: Wish, ports: tuple[str, ...] = ("gps",)
) -> tuple[list[Line], Recording, Timeline]:
    """Return the lines of a text."""
    path = folder / "port"
    path.write_bytes(text.encode("latin-1"))
    recording = open_known(path, Known(ports=ports), Progress(), wish)
    timeline = Timeline()
    lines = [item for item in recording.items(timeline) if isinstance(item, Line)]
    return lines, recording, timeline


def test_sentences_tell_their_times_over_midnight(tmp_path: Path) -> None:
    lines, _, timeline = read(tmp_path, TEXT, BY_SENTENCES)
    assert [line.t_us for line in lines] == [
        0, 0, 0, 0, 0, 1_000_000, 2_000_000,
    ]  # fmt: skip
    # 2024-06-20 23:59:59.5 UTC
    assert timeline.zero_stamp_us == 1_718_927_999_500_000
    assert timeline.steps == []
    assert [line.seq for line in lines] == list(range(7))


def test_without_a_fix_times_count_from_midnight(tmp_path: Path) -> None:
    text = sentence("GPRMC,000010.00,V,,,,,,,060180,,,N") + "\n"
    _, _, timeline = read(tmp_path, text, BY_SENTENCES)
    assert timeline.zero_stamp_us == 10_000_000
    assert not timeline.is_dated


def test_text_without_a_wish_is_refused(tmp_path: Path) -> None:
    with pytest.raises(RecordingError, match="--every"):
        read(tmp_path, TEXT, NO_WISH)


def test_text_is_stamped_at_an_even_pace(tmp_path: Path) -> None:
    lines, _, timeline = read(tmp_path, TEXT, Wish(every_s=0.1))
    assert [line.t_us for line in lines] == [n * 100_000 for n in range(7)]
    assert not timeline.is_dated


def test_sentences_without_a_time_cannot_tell_one(tmp_path: Path) -> None:
    with pytest.raises(RecordingError, match="no sentence that tells a time"):
        read(tmp_path, sentence("GPGSV,1,1,00") + "\n", BY_SENTENCES)


def test_any_text_is_read_for_a_port_that_is_named(tmp_path: Path) -> None:
    lines, recording, _ = read(
        tmp_path, "volts=1\nvolts=2" + "x" * 2000 + "\nvolts=3", Wish(1.0, port="gps")
    )
    assert [line.data for line in lines] == [b"volts=1", b"volts=3"]
    assert recording.damage.lines == 1  # the one without an end, as on a live port


def test_of_several_ports_one_has_to_be_named(tmp_path: Path) -> None:
    with pytest.raises(RecordingError, match="meter, gps"):
        read(tmp_path, TEXT, BY_SENTENCES, ("meter", "gps"))
    with pytest.raises(RecordingError, match="found 'roof'"):
        read(tmp_path, TEXT, Wish(1.0, port="roof"), ("meter", "gps"))
    lines, _, _ = read(tmp_path, TEXT, Wish(1.0, port="meter"), ("meter", "gps"))
    assert {line.port for line in lines} == {"meter"}


def test_without_ports_the_lines_have_one_of_their_own(tmp_path: Path) -> None:
    lines, _, _ = read(tmp_path, TEXT, BY_SENTENCES, ())
    assert {line.port for line in lines} == {"port"}


def test_a_sentence_is_whole_or_none() -> None:
    assert sentence_fields(sentence("GPGSV,1,1,00").encode()) == [
        "GPGSV",
        "1",
        "1",
        "00",
    ]
    assert sentence_fields(b"$GPGSV,1,1,00*00") is None
    assert sentence_fields(b"$GPGSV,1,1,00") is None


@pytest.mark.parametrize(
    "body", ["GPRMC,25", "GPGLL,1,N,2,E,246060,A", "GPZDA", "GPGGA,,"]
)
def test_a_time_that_is_none_is_not_taken(body: str) -> None:
    assert SentenceClock().feed(sentence(body).encode()) is None


def test_a_date_that_is_none_is_not_taken() -> None:
    clock = SentenceClock()
    clock.feed(sentence("GPRMC,000010.00,A,1,N,2,E,0,0,320624,,,A").encode())
    assert (clock.day_us, clock.time_us) == (0, 10_000_000)


def test_a_ports_text_plays_into_a_log(tmp_path: Path) -> None:
    van, text = tmp_path / "van.toml", tmp_path / "gps.txt"
    van.write_text('[van]\nname = "T"\n[[port]]\nname = "gps"\ndevice = "/dev/null"\n')
    text.write_bytes(TEXT.encode("latin-1"))
    log = tmp_path / "van.db"
    words = ("replay", "--van", van, "--into", log, text)
    refused = ampledger(*words)
    assert refused.code == 1
    assert "no time stamps" in refused.err
    ran = ampledger(*words, "--by-sentences")
    assert ran.code == 3  # nothing feeds a channel
    assert "Run 1: gps.txt, 2024-06-20T23:59:59" in ran.out


def test_what_a_port_said_is_written_and_read_again(tmp_path: Path) -> None:
    log, text = tmp_path / "van.db", tmp_path / "gps.nmea"
    spoken = [b"$GPGSV,1,1,00*79", b"\x00\xff noise", b"$GPGGA,1"]
    raw: list[Raw] = [
        *(Line(place * 10, place, "gps", data) for place, data in enumerate(spoken)),
        Frame(50, 3, "drive", 5, False, b"\x01"),
        Line(60, 4, "meter", b"V 12.5"),
    ]
    with Writer(log) as writer:
        record_raw(writer, "2026-06-22T12:00:00", raw)
    ran = ampledger("export", log, "frames", "--output", text)
    assert (ran.code, text.exists()) == (1, False)
    assert "lines of the ports gps and meter" in ran.err
    assert "Say which one with --port." in ran.err
    words = ("export", log, "frames", "--port", "gps", "--output", text)
    ran = ampledger(*words)
    assert ran.code == 0, ran.err
    assert "3 lines of the port gps, without their times" in ran.err
    known = Known(ports=("gps",))
    recording = open_known(text, known, Progress(), Wish(every_s=1.0))
    again = [item for item in recording.items(Timeline()) if isinstance(item, Line)]
    assert [line.data for line in again] == spoken


def test_a_port_is_asked_for_with_its_text_only(tmp_path: Path) -> None:
    log = tmp_path / "van.db"
    with Writer(log) as writer:
        record_raw(writer, "2026-06-22T12:00:00", [])
    ran = ampledger("export", log, "frames", "--port", "gps")
    assert (ran.code, "goes with the format text only" in ran.err) == (2, True)
