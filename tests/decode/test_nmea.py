"""Sentences of a satellite receiver: published ones, traps, and recorded ones."""

import gzip
import math
import re
from collections import Counter
from functools import reduce
from operator import xor

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.decode.frames import Reason, Rejected
from logger.decode.framing import LineFramer
from logger.decode.nmea import SENTENCES, SentenceForm
from logger.decode.text_lines import find_form
from tests.builders import LAW
from tests.house.pages import DATA

FORMS = [SentenceForm(name, each.fields) for name, each in SENTENCES.items()]


def sealed(body: str) -> bytes:
    """Return a sentence with its checksum."""
    return b"$%s*%02X" % (body.encode(), reduce(xor, body.encode(), 0))


def told(line: bytes | str) -> dict[str, float | int | None] | Reason:
    """Return what a sentence tells, without what it leaves open, or its refusal."""
    data = line.encode() if isinstance(line, str) else line
    form = find_form(FORMS, data)
    assert isinstance(form, SentenceForm)
    values = form.decode(data)
    if isinstance(values, Rejected):
        assert values.data == data
        return values.reason
    pairs = zip(form.fields, values, strict=True)
    return {name: value for name, value in pairs if value is not None}


# The published sentences as gpsd's "NMEA Revealed" has them; dates by hand.
@pytest.mark.parametrize(("line", "values"), [
    # 1994-03-23 12:35:19 UTC, 48° 7.038' N, 11° 31' E, 22.4 kn
    ("$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6A",
     {"fix": 1, "time_s": 764_426_119, "latitude_deg": 48.1173,
      "longitude_deg": 11.516667, "speed_mps": 11.523556, "track_deg": 84.4}),
    ("$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47",
     {"fix": 1, "satellites_count": 8, "dilution_ratio": 0.9, "altitude_m": 545.4,
      "latitude_deg": 48.1173, "longitude_deg": 11.516667}),
    # 5.5 kn
    ("$GPVTG,054.7,T,034.4,M,005.5,N,010.2,K*48",
     {"track_deg": 54.7, "speed_mps": 2.829444}),
    # 2.550 kn; the 4.724 km/h beside it are not the same
    ("$GPVTG,220.86,T,,M,2.550,N,4.724,K,A*34",
     {"track_deg": 220.86, "speed_mps": 1.311833}),
    # 2004-03-11 16:00:12.71 UTC, whatever the local zone
    ("$GPZDA,160012.71,11,03,2004,-1,00*7D", {"time_s": 1_079_020_812.71}),
    # no fix is no position, not 0° 0°
    ("$GPRMC,,V,,,,,,,,,,N*53", {"fix": 0}),
    ("$GPGGA,,,,,,0,,,,,,,,*66", {"fix": 0}),
])  # fmt: skip
def test_published_sentences_tell_what_they_should(
    line: str, values: dict[str, float]
) -> None:
    assert told(line) == pytest.approx(values, rel=1e-6)


PLACE = "4807.038,S,01131.000,W"
SOUTH_WEST = {"latitude_deg": -48.1173, "longitude_deg": -11.5166666}


@pytest.mark.parametrize(("body", "values"), [
    (f"GNGLL,{PLACE},123519,A,D", {"fix": 2, **SOUTH_WEST}),
    (f"GPGLL,{PLACE},123519,A", {"fix": 1, **SOUTH_WEST}),       # before NMEA 2.3
    (f"GPGLL,{PLACE},123519,V,N", {"fix": 0}),
    # a position that was estimated, typed in or simulated is none
    *((f"GPRMC,123519,A,{PLACE},1,2,230394,,,{mode}", {"fix": 0}) for mode in "EMSN"),
    *((f"GPGLL,{PLACE},123519,A,{mode}", {"fix": 0}) for mode in "EMSN"),
    *((f"GPGGA,123519,{PLACE},{quality},08,0.9,5,M,4,M,,",
       {"fix": 0, "satellites_count": 8}) for quality in "0678"),
    *((f"GPVTG,1,T,,M,2,N,3,K,{mode}", {}) for mode in "EMSN"),
    # a receiver that goes on with the time, or with what it showed last
    (f"GPRMC,123519,V,{PLACE},22.4,84.4,230394,,", {"fix": 0}),
    # standing still there is no track
    (f"GPRMC,123519,A,{PLACE},0.0,,230394,,,A",
     {"fix": 1, "speed_mps": 0, "time_s": 764_426_119, **SOUTH_WEST}),
    # a time without its date, and a date without its time
    (f"GPRMC,123519,A,{PLACE},0.0,,,,,A", {"fix": 1, "speed_mps": 0, **SOUTH_WEST}),
    (f"GPRMC,,A,{PLACE},,,230394,,,A", {"fix": 1, **SOUTH_WEST}),
    # a fix without a position
    ("GPRMC,,A,,,,,,,,,,A", {"fix": 1}),
    ("GPRMC,,A,,,,,,,,,", {"fix": 1}),
    ("GPRMC,,A", {"fix": 1}),
    (f"GPGGA,123519,{PLACE},,08,0.9,5,M,4,M,,", {"satellites_count": 8}),
    ("GPGGA,,,,,,2,12,,,,,,,", {"fix": 2, "satellites_count": 12}),
    ("GPGGA,,,,,,4,12,,,,,,,", {"fix": 2, "satellites_count": 12}),
    # 36 km/h
    ("GPVTG,,T,,M,,N,36,K", {"speed_mps": 10}),
    ("GPVTG,,,,,,,,", {}),
    ("GPGSA,A,3,1,2,3,4,,,,,,,,,1.9,1.1,1.5", {"fix": 1, "dilution_ratio": 1.1}),
    ("GPGSA,A,1,,,,,,,,,,,,,99.9,99.9,99.9", {"fix": 0}),
    ("GPZDA,,,,,,", {}),
    ("GPZDA,,11,03,2004,,", {}),
    ("GPZDA,160012,,,,,", {}),
])  # fmt: skip
def test_what_is_not_known_is_missing(body: str, values: dict[str, float]) -> None:
    assert told(sealed(body)) == pytest.approx(values)


@pytest.mark.parametrize("body", [
    "GPRMC,123519,A,48X7.038,N,01131.000,E,022.4,084.4,230394,,",
    "GPRMC,123519,A,4807,N,01131.000,E,022.4,084.4,230394,,",    # no minutes' decimals
    "GPRMC,123519,A,4860.000,N,01131.000,E,022.4,084.4,230394,,",  # 60 minutes
    "GPRMC,123519,A,0,N,0,E,022.4,084.4,230394,,",
    "GPRMC,123519,A,4807.038,X,01131.000,E,022.4,084.4,230394,,",
    "GPRMC,123519,A,4807.038,N,01131.000,X,022.4,084.4,230394,,",
    "GPRMC,123519,A,4807.038,N,01131.000,E,fast,084.4,230394,,",
    "GPRMC,123519,A,4807.038,N,01131.000,E,1_0,084.4,230394,,",
    "GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,310294,,",  # 31 February
    "GPRMC,253519,A,4807.038,N,01131.000,E,022.4,084.4,230394,,",  # 25 o'clock
    "GPRMC,12351,A,4807.038,N,01131.000,E,022.4,084.4,230394,,",   # a digit is gone
    "GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,F,46.9,M,,",  # feet
    "GPGGA,123519,4807.038,N,01131.000,E,1,8a,0.9,545.4,M,46.9,M,,",
    "GPVTG,054.7,034.4,005.5,010.2",                               # before NMEA 2.0
    "GPZDA,160012,31,02,2004,00,00",
    "GPZDA,160012,+1,02,2004,00,00",
    "GPZDA,160012,1,02,99999,00,00",
    "GPZDA,16001x,1,02,2004,00,00",
])  # fmt: skip
def test_a_field_that_cannot_be_read_refuses_the_sentence(body: str) -> None:
    assert told(sealed(body)) is Reason.UNDECODABLE


@pytest.mark.parametrize(("line", "reason"), [
    (b"$GPGGA,,,,,,0,,,,,,,,*67", Reason.CHECKSUM),
    (b"$GPGGA,,,,,,0,,,,,,,,", Reason.CHECKSUM),      # none at all
    (b"$GPGGA,,,,,,0,,,,,,,,*6", Reason.UNDECODABLE),
    (b"$GPGGA,,,,,,0,,,,,,,,*66 7", Reason.UNDECODABLE),
    (b"$GPGGA,,,,,,0,,\xff,,,,,,*66", Reason.UNDECODABLE),
    (b"$GPGGA", Reason.UNDECODABLE),
])  # fmt: skip
def test_a_sentence_needs_its_checksum(line: bytes, reason: Reason) -> None:
    assert told(line) is reason


def test_what_stands_before_a_sentence_is_left_out() -> None:
    whole = sealed("GPGGA,,,,,,0,,,,,,,,")
    assert told(b"\xb5\x62\x01$GPRMC,1235" + whole) == {"fix": 0}


@pytest.mark.parametrize("line", [
    b"", b"$", b"$GP", b"GPGGA,,,,,,0,,,,,,,,*66", b"$GPGSV,1,1,00*79", b"$PGRMC,1*00",
    b"\xff\xfe", b"!AIVDM,1,1,,A,,0*26",
])  # fmt: skip
def test_other_lines_are_none_of_its_business(line: bytes) -> None:
    assert find_form(FORMS, line) is None


def test_only_the_wanted_fields_are_given_in_their_order() -> None:
    form = SentenceForm("gga", ("altitude_m", "fix"))
    line = b"$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47"
    assert form.decode(line) == (545.4, 1.0)


LETTERS = st.text(st.sampled_from("0123456789.,-ANSEWVDMTK*$ x\u00e9"), max_size=80)


@LAW
@given(st.sampled_from(sorted(SENTENCES)), LETTERS, st.binary(max_size=40))
def test_no_bytes_make_a_sentence_raise(name: str, rest: str, noise: bytes) -> None:
    body = f"GP{name.upper()},{rest}".encode() + noise
    for line in (body, b"$" + body, b"$%s*%02X" % (body, reduce(xor, body, 0))):
        for form in FORMS:
            values = form.decode(line)
            if isinstance(values, Rejected):
                assert values.data == line


def lines_of(name: str) -> list[bytes]:
    """Return the lines of a recording."""
    data = gzip.decompress((DATA / "gps" / f"{name}.nmea.gz").read_bytes())
    return LineFramer().feed(data + b"\n")


# The published counts of these files, each counted by an independent program; a line
# counts as a sentence from its first $ on.
COUNTED = {
    "nmea-acquire-wander": (861, 861, 0, 0, 0, 23, 37, 6.5, 701.2),
    "nmea-walk": (325, 325, 0, 0, 0, 68, 6, 5.19, 153.5),
    "nmea-bad-checksums": (69, 46, 23, 0, 0, 23, 0, 0.0, 2.4),
    "nmea-acquire-slow": (160, 160, 0, 0, 0, 40, 22, 0.69, 30.8),
    "nmea-with-binary": (2267, 1971, 104, 192, 753, 130, 0, 1.31, 1.9),
}


def judged(line: bytes) -> str:
    """Return how the checksum of a line stands, by arithmetic of the test's own."""
    if b"$" not in line:
        return "no sentence"
    whole = re.fullmatch(rb"\$([^*]*)\*([0-9A-Fa-f]{2})", line[line.find(b"$") :])
    if whole is None:
        return "none"
    return "ok" if int(whole[2], 16) == reduce(xor, whole[1], 0) else "bad"


@pytest.mark.parametrize("name", COUNTED)
def test_the_recordings_hold_what_was_counted(name: str) -> None:
    sentences, *checksums, strangers, _, _, _, _ = COUNTED[name]
    kinds = Counter(judged(line) for line in lines_of(name))
    assert kinds.total() == sentences + strangers
    assert [kinds[kind] for kind in ("ok", "bad", "none")] == checksums


def metres(one: tuple[float, float], two: tuple[float, float]) -> float:
    """Return the great-circle way between two positions in degrees, m."""
    (from_lat, from_lon), (to_lat, to_lon) = (map(math.radians, p) for p in (one, two))
    half = math.sin((to_lat - from_lat) / 2) ** 2
    half += (
        math.cos(from_lat) * math.cos(to_lat) * math.sin((to_lon - from_lon) / 2) ** 2
    )
    return 2 * 6_371_008.8 * math.asin(math.sqrt(half))


@pytest.mark.parametrize("name", COUNTED)
def test_a_recording_tells_the_fixes_speed_and_way_that_were_counted(
    name: str,
) -> None:
    *_, valid, void, top_kn, way_m = COUNTED[name]
    form = SentenceForm("rmc", ("fix", "speed_mps", "latitude_deg", "longitude_deg"))
    found = [form.decode(line) for line in lines_of(name) if form.takes(line)]
    told = [each for each in found if not isinstance(each, Rejected)]
    fixes = [each for each in told if each[0]]
    assert (len(fixes), len(told) - len(fixes)) == (valid, void)
    speeds = [each[1] * 3600 / 1852 for each in fixes if each[1] is not None]
    assert max(speeds) == pytest.approx(top_kn, abs=0.005)
    places = [(lat, lon) for _, _, lat, lon in fixes if lat is not None if lon]
    assert len(places) == valid
    way = sum(map(metres, places, places[1:]))
    assert way == pytest.approx(way_m, abs=0.05)


@pytest.mark.parametrize("name", COUNTED)
def test_a_damaged_sentence_of_a_recording_tells_nothing(name: str) -> None:
    damaged = [line for line in lines_of(name) if judged(line) == "bad"]
    passed = [
        line
        for line in damaged
        for form in FORMS
        if form.takes(line) and not isinstance(form.decode(line), Rejected)
    ]
    # A whole sentence may stand behind the rest of something else.
    assert all(judged(line[line.rfind(b"$") :]) == "ok" for line in passed)
