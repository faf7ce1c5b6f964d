"""A port that speaks NMEA 0183: its feeds, and what a van makes of a recording."""

import gzip
from pathlib import Path

import pytest

from logger.core.satellites import SatelliteDate, satellite_date
from logger.decode.frames import Line, Reason
from logger.decode.framing import LineFramer
from logger.errors import ConfigError
from logger.pipeline.chain import Pipeline
from logger.van.reading import Van, read_settings, read_van
from tests.builders import run, us
from tests.house.pages import DATA

VAN = """
[van]
name = "Test van"

[[port]]
name = "sky"
device = "/dev/ttyTEST0"
speaks = "nmea"
"""


def read(folder: Path, text: str = VAN) -> Van:
    """Return the van of a text."""
    path = folder / "van.toml"
    path.write_text(text)
    return read_van(path)


def faults_of(folder: Path, text: str) -> list[str]:
    """Return what is wrong with a van file, one line a fault."""
    with pytest.raises(ConfigError) as caught:
        read(folder, text)
    return [str(fault) for fault in caught.value.faults]


def fed(van: Van) -> dict[str, list[tuple[str, int]]]:
    """Return what feeds each channel: port and line, and the rank."""
    found: dict[str, list[tuple[str, int]]] = {}
    for key, feeds in van.spec.line_feeds.items():
        for feed in feeds:
            rank = (" ".join(key), feed.rank)
            found.setdefault(feed.channel.name, []).append(rank)
    return {name: sorted(each, key=lambda one: one[1]) for name, each in found.items()}


def test_a_receiver_feeds_its_channels_without_a_word(tmp_path: Path) -> None:
    feeds = fed(read(tmp_path))
    assert feeds["gps.latitude_deg"] == [("sky rmc", 1), ("sky gga", 2), ("sky gll", 3)]
    assert feeds["gps.fix"] == [("sky gga", 1), ("sky rmc", 2), ("sky gll", 3)]
    assert feeds["gps.time_s"] == [("sky rmc", 1)]
    assert set(feeds) == {
        *(f"gps.{name}_deg" for name in ("latitude", "longitude", "track")),
        *("gps.altitude_m", "gps.speed_mps", "gps.time_s", "gps.fix"),
        *("gps.satellites_count", "gps.dilution_ratio"),
    }


def test_a_feed_that_names_the_port_replaces_all_of_them(tmp_path: Path) -> None:
    own = '[[feed]]\nchannel = "gps.time_s"\nport = "sky"\nline = "zda"\n'
    van = read(tmp_path, VAN + own + 'field = "time_s"\n')
    assert fed(van) == {"gps.time_s": [("sky zda", 1)]}


def test_a_second_receiver_stands_behind_the_first(tmp_path: Path) -> None:
    second = VAN.partition("[[port]]")[2].replace("sky", "roof")
    feeds = fed(read(tmp_path, f"{VAN}[[port]]{second}"))
    assert feeds["gps.altitude_m"] == [("sky gga", 1), ("roof gga", 2)]
    assert [rank for _, rank in feeds["gps.latitude_deg"]] == [1, 2, 3, 4, 5, 6]


def test_no_more_boxes_are_ranked_than_there_are_ranks(tmp_path: Path) -> None:
    third = VAN.partition("[[port]]")[2]
    names = ("roof", "mast", "dash")
    more = "".join("[[port]]" + third.replace("sky", name) for name in names)
    feeds = fed(read(tmp_path, VAN + more))
    assert [rank for _, rank in feeds["gps.latitude_deg"]] == list(range(1, 10))


def test_the_stored_file_of_an_old_run_has_the_same_feeds(tmp_path: Path) -> None:
    assert read_settings(VAN).feeds == read(tmp_path).settings.feeds


@pytest.mark.parametrize(("more", "told"), [
    ('[[line]]\nname = "main"\nport = "sky"\n',
     "[[line]] 1 port: found 'sky'. Leave this line out: what this port speaks"),
    ('[[feed]]\nchannel = "gps.fix"\nport = "sky"\nline = "ggb"\nfield = "fix"\n',
     "[[feed]] 1 line: found 'ggb'."),
    ('[[feed]]\nchannel = "gps.fix"\nport = "sky"\nline = "gga"\nfield = "fixx"\n',
     "[[feed]] 1 field: found 'fixx'. The nearest known is fix."),
])  # fmt: skip
def test_a_fault_names_what_is_known(more: str, told: str, tmp_path: Path) -> None:
    (fault,) = faults_of(tmp_path, VAN + more)
    assert told in fault


def test_a_misspelt_language_is_one_fault(tmp_path: Path) -> None:
    feed = '[[feed]]\nchannel = "gps.fix"\nport = "sky"\nline = "gga"\nfield = "fix"\n'
    (fault,) = faults_of(tmp_path, VAN.replace('"nmea"', '"nmae"') + feed)
    assert "[[port]] 1 speaks: found 'nmae'" in fault


def recorded(name: str) -> list[Line]:
    """Return a recording as the port `sky` would have heard it, ten lines a second."""
    data = gzip.decompress((DATA / "gps" / f"{name}.nmea.gz").read_bytes())
    lines = LineFramer().feed(data + b"\n")
    return [Line(us(n / 10), n, "sky", line) for n, line in enumerate(lines)]


def test_no_second_without_a_fix_has_a_position(tmp_path: Path) -> None:
    outcome = run(read(tmp_path).spec, recorded("nmea-acquire-wander"))
    fixes = [tick.cells.get("gps.fix") for tick in outcome.ticks]
    assert fixes[0] is not None
    assert fixes[0].last == 0
    assert "gps.latitude_deg" not in outcome.ticks[0].cells
    assert all(abs(value) > 1 for value in outcome.last("gps.latitude_deg"))
    assert len(outcome.last("gps.latitude_deg")) < len(outcome.ticks)


def test_damaged_sentences_are_counted_and_kept(tmp_path: Path) -> None:
    # Of 69 sentences 23 are damaged, all of them GGA: their altitude tells nothing.
    outcome = run(read(tmp_path).spec, recorded("nmea-bad-checksums"))
    (refusal,) = outcome.closing.refusals
    assert (refusal.place, refusal.n) == ("port sky, line gga", 23)
    assert refusal.reason is Reason.CHECKSUM
    assert outcome.counts("gps.speed_mps") == 23
    assert outcome.counts("gps.altitude_m") == 0


def test_a_recording_of_today_would_date_a_run(tmp_path: Path) -> None:
    pipeline = Pipeline(read(tmp_path).spec)
    for item in recorded("nmea-walk")[:200]:
        list(pipeline.feed([item]))
    heard = satellite_date(pipeline.readings(item.t_us))
    assert isinstance(heard, SatelliteDate)
