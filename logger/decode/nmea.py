"""Sentences of a satellite receiver (NMEA 0183), through pynmea2, its traps closed.

Imported only where a port speaks them. Knows what a sentence tells and when it may be
believed; no port and no channel. The traps: empty fields come out as 0° 0°, a value
that cannot be read comes out as its text, a position without N, S, E or W as 0°, and a
sentence without a checksum passes. Here a sentence needs its checksum, a position, a
time and a speed need a fix, and a field that cannot be read refuses the whole sentence.

Source: NMEA 0183 as in gpsd's "NMEA Revealed"; the published sentences of the tests.
"""

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime, time

import pynmea2

from logger.decode.frames import Reason, Rejected, Values

MPS_PER_KNOT = 1852 / 3600
MPS_PER_KMH = 1 / 3.6

NO_FIX, SATELLITES, DIFFERENTIAL = 0.0, 1.0, 2.0
"""The codes of the channel gps.fix."""

FIX_OF_QUALITY = {"1": SATELLITES, "2": DIFFERENTIAL, "3": SATELLITES}
FIX_OF_QUALITY |= {"4": DIFFERENTIAL, "5": DIFFERENTIAL}
"""GGA, field 6: 3 is the precise service, 4 and 5 carrier phase. Not in here: 0 none,
6 estimated, 7 typed in, 8 simulated; what was not measured is no position."""

FIX_OF_MODE = {"": SATELLITES, "A": SATELLITES, "P": SATELLITES}
FIX_OF_MODE |= {"D": DIFFERENTIAL, "F": DIFFERENTIAL, "R": DIFFERENTIAL}
"""Mode of RMC, GLL and VTG; empty before NMEA 2.3. Not in here: N none, E estimated,
M typed in, S simulated."""

_NUMBER = re.compile(r"-?\d+(\.\d*)?|-?\.\d+")
_ANGLE = re.compile(r"\d{1,3}[0-5]\d\.\d+")
_TIME = re.compile(r"\d{6}(\.\d*)?")
_WHOLE = re.compile(r"\d{1,4}")

Told = Mapping[str, float | None]
"""What one sentence tells, by the names of its fields."""


class FieldError(ValueError):
    """A field holds what it cannot hold."""


@dataclass(frozen=True, slots=True)
class SentenceForm:
    """One kind of sentence, whoever the talker is.

    Attributes:
        name: Its three letters in lower case; what the van file calls it.
        fields: Names of the wanted fields, in the order of the decoded values.
    """

    name: str
    fields: tuple[str, ...]

    def takes(self, data: bytes) -> bool:
        """Return whether a line holds a sentence of this kind."""
        at = data.rfind(b"$")
        # A P begins what a maker invented, in a form of its own.
        is_open = at >= 0 and data[at + 1 : at + 2] not in b"Pp"
        return is_open and data[at + 3 : at + 6] == self.name.upper().encode()

    def decode(self, data: bytes) -> Values | Rejected:
        """Return the wanted fields of one sentence, or why it was refused.

        A line may begin with the rest of something else, such as a binary frame or half
        a sentence: what counts begins at the last `$`.

        Args:
            data: The line, without its end.
        """
        if not self.takes(data):
            return Rejected(Reason.UNDECODABLE, data)
        try:
            text = data[data.rfind(b"$") :].decode("ascii")
            told = SENTENCES[self.name].read(pynmea2.parse(text, check=True))
        except pynmea2.ChecksumError:
            return Rejected(Reason.CHECKSUM, data)
        except ValueError:
            return Rejected(Reason.UNDECODABLE, data)
        return tuple(told.get(field) for field in self.fields)


def _number(text: str | None) -> float | None:
    """Return the number in a field; None if it is empty."""
    if not text:
        return None
    if _NUMBER.fullmatch(text) is None:
        raise FieldError(text)
    return float(text)


def _scaled(text: str, factor: float) -> float | None:
    number = _number(text)
    return None if number is None else number * factor


def _raw(sentence: pynmea2.TalkerSentence, name: str) -> str:
    """Return the text of a field, empty where the sentence is too short for it.

    Not the attribute of that name: where pynmea2 cannot convert, it gives text.
    """
    place = type(sentence).name_to_idx[name]
    text: str = sentence.data[place] if place < len(sentence.data) else ""
    return text


def _position(sentence: pynmea2.TalkerSentence) -> Told:
    """Return where it is; the sentence is known to have a fix."""
    texts = [_raw(sentence, key) for key in ("lat", "lat_dir", "lon", "lon_dir")]
    if not all(texts):
        return {}
    latitude, north, longitude, east = texts
    is_sound = (
        all(_ANGLE.fullmatch(angle) for angle in (latitude, longitude))
        and north in ("N", "S")
        and east in ("E", "W")
    )
    if not is_sound:
        raise FieldError(",".join(texts))
    return {
        "latitude_deg": sentence.latitude,
        "longitude_deg": sentence.longitude,
    }


def _date_s(clock_text: str, clock: time | str | None, day: date | str | None) -> Told:
    """Return a date and time as seconds since the Unix epoch, if there are both.

    Args:
        clock_text: The time as it stands there.
        clock: What it was converted to; a text if that did not succeed.
        day: The date, in the same way.
    """
    if clock is None or day is None:
        return {}
    if (
        isinstance(clock, str)
        or isinstance(day, str)
        or not _TIME.fullmatch(clock_text)
    ):
        raise FieldError(clock_text)
    return {"time_s": datetime.combine(day, clock, UTC).timestamp()}


def _rmc(sentence: pynmea2.TalkerSentence) -> Told:
    mode = FIX_OF_MODE.get(_raw(sentence, "mode_indicator"))
    if _raw(sentence, "status") != "A" or mode is None:
        return {"fix": NO_FIX}
    clock_text = _raw(sentence, "timestamp")
    return {
        "fix": mode,
        "speed_mps": _scaled(_raw(sentence, "spd_over_grnd"), MPS_PER_KNOT),
        "track_deg": _number(_raw(sentence, "true_course")),
        **_position(sentence),
        **_date_s(clock_text, sentence.timestamp, sentence.datestamp),
    }


def _gga(sentence: pynmea2.TalkerSentence) -> Told:
    satellites = _number(_raw(sentence, "num_sats"))
    quality = _raw(sentence, "gps_qual")
    fix = FIX_OF_QUALITY.get(quality)
    if fix is None:
        # An empty one says nothing; another sentence may.
        return {"fix": NO_FIX if quality else None, "satellites_count": satellites}
    altitude_m = _number(_raw(sentence, "altitude"))
    if altitude_m is not None and _raw(sentence, "altitude_units") != "M":
        raise FieldError(_raw(sentence, "altitude_units"))
    return {
        "fix": fix,
        "satellites_count": satellites,
        "dilution_ratio": _number(_raw(sentence, "horizontal_dil")),
        "altitude_m": altitude_m,
        **_position(sentence),
    }


def _gll(sentence: pynmea2.TalkerSentence) -> Told:
    mode = FIX_OF_MODE.get(_raw(sentence, "faa_mode"))
    if _raw(sentence, "status") != "A" or mode is None:
        return {"fix": NO_FIX}
    return {"fix": mode, **_position(sentence)}


def _vtg(sentence: pynmea2.TalkerSentence) -> Told:
    if _raw(sentence, "faa_mode") not in FIX_OF_MODE:
        return {}
    # Before NMEA 2.0 there were no letters between the numbers: other places.
    letters = [
        _raw(sentence, f"{name}_sym")
        for name in ("true_track", "spd_over_grnd_kts", "spd_over_grnd_kmph")
    ]
    if any(text != due for text, due in zip(letters, "TNK", strict=True) if text):
        raise FieldError("".join(letters))
    # Knots first: a kilometre an hour is often the rounded one of the two.
    speed_mps = _scaled(_raw(sentence, "spd_over_grnd_kts"), MPS_PER_KNOT)
    if speed_mps is None:
        speed_mps = _scaled(_raw(sentence, "spd_over_grnd_kmph"), MPS_PER_KMH)
    return {
        "track_deg": _number(_raw(sentence, "true_track")),
        "speed_mps": speed_mps,
    }


def _gsa(sentence: pynmea2.TalkerSentence) -> Told:
    if _raw(sentence, "mode_fix_type") not in ("2", "3"):
        return {"fix": NO_FIX}
    return {
        "fix": SATELLITES,
        "dilution_ratio": _number(_raw(sentence, "hdop")),
    }


def _zda(sentence: pynmea2.TalkerSentence) -> Told:
    texts = [_raw(sentence, key) for key in ("day", "month", "year")]
    if not all(texts):
        return {}
    if not all(_WHOLE.fullmatch(text) for text in texts):
        raise FieldError(",".join(texts))
    day, month, year = (int(text) for text in texts)
    clock_text = _raw(sentence, "timestamp")
    return _date_s(clock_text, sentence.timestamp, date(year, month, day))


@dataclass(frozen=True, slots=True)
class Sentence:
    """What one kind of sentence can tell.

    Attributes:
        fields: The names of all that it tells, each with its unit.
        read: Returns what one of them tells; raises ValueError where it cannot.
    """

    fields: tuple[str, ...]
    read: Callable[[pynmea2.TalkerSentence], Told]


PLACE = ("latitude_deg", "longitude_deg")

SENTENCES: Mapping[str, Sentence] = {
    "rmc": Sentence(("fix", "time_s", "speed_mps", "track_deg", *PLACE), _rmc),
    "gga": Sentence(
        ("fix", "satellites_count", "dilution_ratio", "altitude_m", *PLACE), _gga
    ),
    "gll": Sentence(("fix", *PLACE), _gll),
    "vtg": Sentence(("speed_mps", "track_deg"), _vtg),
    "gsa": Sentence(("fix", "dilution_ratio"), _gsa),
    # It does not say whether there is a fix, so no channel is fed from it unasked.
    "zda": Sentence(("time_s",), _zda),
}
"""The kinds of sentence that are read, by their letters."""
