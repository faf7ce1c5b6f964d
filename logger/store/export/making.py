"""What can be exported, and which table it is."""

from collections.abc import Callable, Mapping
from enum import Enum

from logger.store.export.choice import Extract
from logger.store.export.frames import FRAME_COLUMNS, frames
from logger.store.export.places import PLACE_COLUMNS, place_table
from logger.store.export.sheet import Column, Sheet
from logger.store.export.sums import (
    CHARGE_COLUMNS,
    LEDGER_COLUMNS,
    SUN_COLUMNS,
    charges,
    ledger,
    sun,
)
from logger.store.export.tables import (
    SIGNAL_COLUMNS,
    SOC_COLUMNS,
    TRIP_COLUMNS,
    signals,
    soc,
    trips,
)


class What(Enum):
    """What can be exported."""

    TRIPS = "trips"
    SOC = "soc"
    LEDGER = "ledger"
    CHARGES = "charges"
    SUN = "sun"
    SIGNALS = "signals"
    FRAMES = "frames"
    PLACES = "places"


class Form(Enum):
    """The kinds of file that are written."""

    CSV = "csv"
    PARQUET = "parquet"
    GPX = "gpx"
    CANDUMP = "candump"
    ASC = "asc"
    BLF = "blf"
    TRC = "trc"
    TEXT = "text"


CAN_LOGS = (Form.CANDUMP, Form.ASC, Form.BLF, Form.TRC)

SUFFIXES: Mapping[str, Form] = {
    ".csv": Form.CSV,
    ".parquet": Form.PARQUET,
    ".gpx": Form.GPX,
    ".log": Form.CANDUMP,
    ".asc": Form.ASC,
    ".blf": Form.BLF,
    ".trc": Form.TRC,
    ".txt": Form.TEXT,
    ".nmea": Form.TEXT,
}
"""What a file's name says of its form."""

MADE_OF: Mapping[What, str | None] = {
    What.TRIPS: None,
    What.SOC: "seconds",
    What.LEDGER: "quarters",
    What.CHARGES: "minutes",
    What.SUN: "quarters",
    What.SIGNALS: "seconds",
    What.FRAMES: "frames",
    What.PLACES: "seconds",
}
"""What each is made of, as the table `shed` calls it; trips are always kept."""

COLUMNS: Mapping[What, tuple[Column, ...]] = {
    What.TRIPS: TRIP_COLUMNS,
    What.SOC: SOC_COLUMNS,
    What.LEDGER: LEDGER_COLUMNS,
    What.CHARGES: CHARGE_COLUMNS,
    What.SUN: SUN_COLUMNS,
    What.SIGNALS: SIGNAL_COLUMNS,
    What.FRAMES: FRAME_COLUMNS,
    What.PLACES: PLACE_COLUMNS,
}

_MAKERS: Mapping[What, Callable[[Extract], Sheet]] = {
    What.TRIPS: trips,
    What.SOC: soc,
    What.LEDGER: ledger,
    What.CHARGES: charges,
    What.SUN: sun,
    What.SIGNALS: signals,
    What.FRAMES: frames,
    What.PLACES: place_table,
}


def sheet(extract: Extract, what: What) -> Sheet:
    """Return one kind of export as a table, made while its rows are walked."""
    return _MAKERS[what](extract)
