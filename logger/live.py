"""The snapshot: how things stand right now, in one small file in memory.

Written by the logger alone, five times a second, and replaced as a whole; read by the
dashboard. Knows its form (JSON) and both its ends, and nothing of what is done with it.
An age in it is the age at the moment of writing; a reader adds the time since then.
"""

import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import orjson
from pydantic import TypeAdapter, ValidationError

from logger.clock import boot_id
from logger.core.health import Health
from logger.core.tick import US_PER_S
from logger.errors import StoreError

FORM = 1
"""Goes up whenever a reader of the older form would be misled."""

SourceState = Literal["open", "silent", "lost"]


@dataclass(frozen=True, slots=True)
class LiveReading:
    """One channel as it stands.

    Attributes:
        value: Newest sample in `unit`; null while there is none.
        mean: Time-weighted mean over the last two counted seconds, or null.
        unit: Symbol of the unit, as printed.
        age_s: Age of the newest sample when the snapshot was written, s.
        period_s: Beat of its source, s; 0 while unknown.
        health: Whether it can be trusted.
        source: Where it comes from.
        note: What stands against it; otherwise empty.
    """

    value: float | None
    mean: float | None
    unit: str
    age_s: float
    period_s: float
    health: Health
    source: str
    note: str = ""


@dataclass(frozen=True, slots=True)
class LiveSource:
    """One bus or port as it stands.

    Attributes:
        name: For example `bus drive` or `port roof`.
        state: Open, open but silent, or lost.
        text: What is wrong, in words; empty while open.
        age_s: Time since anything was heard, s; null if nothing was yet.
        rate_hz: Frames or lines a second, over the last few seconds.
        dropped: Items thrown away because too many were waiting.
        errors: Error frames of the bus, or refused lines, since the logger started.
        lost: Items lost before the logger could read them.
        trouble: What is wrong although it is open, in words; otherwise empty.
    """

    name: str
    state: SourceState
    text: str
    age_s: float | None
    rate_hz: float
    dropped: int
    errors: int = 0
    lost: int = 0
    trouble: str = ""


@dataclass(frozen=True, slots=True)
class LiveTrip:
    """The trip under way, so far; what was not measured is null."""

    start_us: int
    distance_m: float | None
    used_wh: float | None
    energy_net_wh: float | None
    sun_wh: float | None


@dataclass(frozen=True, slots=True)
class LiveVan:
    """What a page has to know of the van to show anything."""

    name: str
    time_zone: str
    distance: Literal["mile", "kilometre"]
    temperature: Literal["fahrenheit", "celsius"]
    reserve_pct: float


@dataclass(frozen=True, slots=True)
class Snapshot:
    """How things stood at one moment.

    Attributes:
        form: Form of the snapshot.
        program: Program and version of the logger.
        seq: Number of the snapshot; rises by one.
        written_us: Uptime of the computer when it was written, microseconds.
        wall_us: Date at that moment as the log has it, microseconds since the Unix
            epoch, UTC.
        is_clock_sure: True where that date is confirmed.
        speed: How many times faster than the computer the logger's clock runs.
        van: The van.
        run: Number of the run under way.
        readings: By channel name.
        sources: Buses and ports.
        trip: The trip under way, or null.
        is_moving: True while the van drives; null where nobody can tell.
        stops: How often it came to a stop in this run.
        desk_entry: Number of the newest entry of the desk that was booked.
        not_stored: Why nothing is being stored, in words; empty while all is well.
        boot: The start of the computer that `written_us` belongs to; empty if unknown.
        notice: What a person has to know of the log, in words; empty for nothing.
    """

    form: int
    program: str
    seq: int
    written_us: int
    wall_us: int
    is_clock_sure: bool
    speed: float
    van: LiveVan
    run: int
    readings: Mapping[str, LiveReading]
    sources: tuple[LiveSource, ...]
    trip: LiveTrip | None
    is_moving: bool | None
    stops: int
    desk_entry: int
    not_stored: str
    boot: str = ""
    notice: str = ""

    @property
    def standing(self) -> str:
        """What is the same from one stop to the next, and never again."""
        return f"{self.run}.{self.stops}"

    def age_s(self, now_us: int) -> float:
        """Return the age of the snapshot, s.

        Args:
            now_us: Uptime of the computer, microseconds.
        """
        return max(0.0, (now_us - self.written_us) / US_PER_S)


_FORM = TypeAdapter(Snapshot)


@dataclass(frozen=True, slots=True)
class SnapshotFile:
    """The file, for its writer and for its readers.

    Args:
        path: The file, in a folder that is kept in memory.
    """

    path: Path

    def write(self, snapshot: Snapshot) -> None:
        """Replace the snapshot; a reader sees the old one or the new one, whole.

        Raises:
            StoreError: The folder does not take it.
        """
        beside = self.path.with_name(self.path.name + ".part")
        try:
            beside.write_bytes(orjson.dumps(snapshot))
            os.replace(beside, self.path)
        except OSError as err:
            raise StoreError(
                where=str(self.path),
                saw=(err.strerror or str(err)).lower(),
                fix="Give a folder in memory that you may write.",
            ) from err

    def read(self) -> Snapshot | None:
        """Return the newest snapshot; None where there is none that can be read."""
        try:
            found = _FORM.validate_json(self.path.read_bytes())
        except (OSError, ValidationError):
            return None
        # The uptime of another start of the computer tells no age.
        is_of_now = found.boot in ("", boot_id())
        return found if found.form == FORM and is_of_now else None

    def stamp(self) -> int:
        """Return a number that changes whenever the file does; 0 without a file."""
        try:
            return self.path.stat().st_mtime_ns
        except OSError:
            return 0

    def remove(self) -> None:
        """Take the file away: the logger has ended and says so."""
        self.path.unlink(missing_ok=True)
