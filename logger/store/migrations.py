"""Numbered changes of the tables, each made in one transaction that records itself.

A change that has been released is never edited: a log of any age is brought up to date
by the changes it has not seen. What the result means is told in `schema`.
"""

import hashlib
from collections.abc import Callable
from dataclasses import dataclass

from logger.errors import StoreError
from logger.store.connect import Connection
from logger.store.packed import DamagedRowError
from logger.store.recording import unpack_block

APPLICATION_ID = 0x416D706C
"""Marks the file as one of ours in its header ("Ampl"), so that no other database is
ever changed by mistake."""

_FIRST = """
CREATE TABLE schema_change (
    version INTEGER PRIMARY KEY, what TEXT NOT NULL, made_us INTEGER NOT NULL
) STRICT;
CREATE TABLE run (
    id INTEGER PRIMARY KEY,
    recording TEXT, recording_sha256 TEXT,
    start_us INTEGER, is_start_sure INTEGER NOT NULL, zero_stamp_us INTEGER NOT NULL,
    end_us INTEGER,
    program TEXT NOT NULL, van_text TEXT NOT NULL, descriptions TEXT NOT NULL,
    damaged_lines INTEGER NOT NULL DEFAULT 0,
    unmatched_frames INTEGER NOT NULL DEFAULT 0,
    counted_end_pct REAL, sigma_end_pct REAL, moved_end_pct REAL,
    start_sigma_pct REAL, counted_s REAL, unseen_s REAL
) STRICT;
CREATE TABLE channel (
    id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE,
    unit TEXT NOT NULL, label TEXT NOT NULL
) STRICT;
CREATE TABLE tick (
    run INTEGER NOT NULL REFERENCES run (id), tick INTEGER NOT NULL,
    cells BLOB NOT NULL, PRIMARY KEY (run, tick)
) STRICT, WITHOUT ROWID;
CREATE TABLE minute (
    run INTEGER NOT NULL REFERENCES run (id), minute INTEGER NOT NULL,
    channel INTEGER NOT NULL REFERENCES channel (id),
    n INTEGER NOT NULL, min REAL NOT NULL, max REAL NOT NULL, mean REAL NOT NULL,
    last REAL NOT NULL, covered_s REAL NOT NULL, PRIMARY KEY (run, minute, channel)
) STRICT, WITHOUT ROWID;
CREATE TABLE gap (
    run INTEGER NOT NULL REFERENCES run (id),
    channel INTEGER NOT NULL REFERENCES channel (id),
    start_us INTEGER NOT NULL, end_us INTEGER NOT NULL,
    PRIMARY KEY (run, channel, start_us)
) STRICT, WITHOUT ROWID;
CREATE TABLE trip (
    run INTEGER NOT NULL REFERENCES run (id), start_us INTEGER NOT NULL,
    end_us INTEGER NOT NULL, skipped_us INTEGER NOT NULL, distance_m REAL,
    energy_out_wh REAL, energy_in_wh REAL, charge_net_ah REAL, sun_wh REAL,
    shore_wh REAL, used_wh REAL, soc_start_pct REAL, soc_end_pct REAL,
    soc_low_end_pct REAL, soc_high_end_pct REAL, soc_counted_change_pct REAL,
    PRIMARY KEY (run, start_us)
) STRICT, WITHOUT ROWID;
CREATE TABLE run_total (
    run INTEGER NOT NULL REFERENCES run (id),
    channel INTEGER NOT NULL REFERENCES channel (id),
    integral REAL NOT NULL, covered_us INTEGER NOT NULL, skipped_us INTEGER NOT NULL,
    PRIMARY KEY (run, channel)
) STRICT, WITHOUT ROWID;
CREATE TABLE refusal (
    run INTEGER NOT NULL REFERENCES run (id), place TEXT NOT NULL, reason TEXT NOT NULL,
    n INTEGER NOT NULL, first_us INTEGER NOT NULL, last_us INTEGER NOT NULL,
    sample TEXT NOT NULL, PRIMARY KEY (run, place, reason)
) STRICT, WITHOUT ROWID;
CREATE TABLE event (
    run INTEGER NOT NULL REFERENCES run (id), t_us INTEGER NOT NULL,
    kind TEXT NOT NULL, text TEXT NOT NULL, PRIMARY KEY (run, t_us, kind, text)
) STRICT, WITHOUT ROWID;
CREATE TABLE raw_block (
    run INTEGER NOT NULL REFERENCES run (id), first_seq INTEGER NOT NULL,
    last_seq INTEGER NOT NULL, n INTEGER NOT NULL, items BLOB NOT NULL,
    PRIMARY KEY (run, first_seq)
) STRICT, WITHOUT ROWID;
CREATE VIEW minute_plain AS
    SELECT strftime(
               '%Y-%m-%dT%H:%M:%SZ', run.start_us / 1000000 + minute.minute * 60,
               'unixepoch') AS t_utc,
           minute.run AS run, channel.name AS channel, channel.unit AS unit,
           minute.n AS n, minute.min AS min, minute.max AS max, minute.mean AS mean,
           minute.last AS last
    FROM minute
    JOIN run ON run.id = minute.run
    JOIN channel ON channel.id = minute.channel;
CREATE VIEW trip_plain AS
    SELECT strftime('%Y-%m-%dT%H:%M:%SZ',
               (run.start_us + trip.start_us) / 1000000, 'unixepoch') AS start_utc,
           strftime('%Y-%m-%dT%H:%M:%SZ',
               (run.start_us + trip.end_us) / 1000000, 'unixepoch') AS end_utc,
           trip.run AS run, trip.distance_m / 1609.344 AS distance_mi,
           trip.used_wh AS used_wh, trip.soc_start_pct AS soc_start_pct,
           trip.soc_end_pct AS soc_end_pct
    FROM trip
    JOIN run ON run.id = trip.run;
"""


_SECOND = """
CREATE TABLE balance (
    run INTEGER PRIMARY KEY REFERENCES run (id), t_us INTEGER NOT NULL,
    counted_pct REAL, sigma_pct REAL, moved_pct REAL NOT NULL,
    start_sigma_pct REAL NOT NULL, counted_s REAL NOT NULL, unseen_s REAL NOT NULL,
    unmatched_frames INTEGER NOT NULL, unmatched_lines INTEGER NOT NULL,
    newest_entry INTEGER NOT NULL
) STRICT;
INSERT INTO balance (run, t_us, counted_pct, sigma_pct, moved_pct, start_sigma_pct,
        counted_s, unseen_s, unmatched_frames, unmatched_lines, newest_entry)
    SELECT id, coalesce(end_us, 0), counted_end_pct, sigma_end_pct, moved_end_pct,
        start_sigma_pct, counted_s, unseen_s, unmatched_frames, 0, 0
    FROM run WHERE moved_end_pct IS NOT NULL;
ALTER TABLE run DROP COLUMN unmatched_frames;
ALTER TABLE run DROP COLUMN counted_end_pct;
ALTER TABLE run DROP COLUMN sigma_end_pct;
ALTER TABLE run DROP COLUMN moved_end_pct;
ALTER TABLE run DROP COLUMN start_sigma_pct;
ALTER TABLE run DROP COLUMN counted_s;
ALTER TABLE run DROP COLUMN unseen_s;
"""

_THIRD_BEFORE = """
CREATE TABLE van (
    id TEXT PRIMARY KEY, is_declared INTEGER NOT NULL, made_us INTEGER NOT NULL
) STRICT;
CREATE TABLE van_file (
    id INTEGER PRIMARY KEY, sha256 TEXT NOT NULL UNIQUE, text TEXT NOT NULL
) STRICT;
CREATE TABLE quarter (
    channel INTEGER NOT NULL REFERENCES channel (id),
    run INTEGER NOT NULL REFERENCES run (id), quarter INTEGER NOT NULL,
    n INTEGER NOT NULL, min REAL NOT NULL, max REAL NOT NULL, mean REAL NOT NULL,
    last REAL NOT NULL, covered_s REAL NOT NULL, PRIMARY KEY (channel, run, quarter)
) STRICT, WITHOUT ROWID;
CREATE TABLE span (
    run INTEGER NOT NULL REFERENCES run (id), quarter INTEGER NOT NULL,
    n INTEGER NOT NULL, beats BLOB NOT NULL, PRIMARY KEY (run, quarter)
) STRICT, WITHOUT ROWID;
CREATE TABLE block (
    id INTEGER PRIMARY KEY, channel INTEGER NOT NULL REFERENCES channel (id),
    run INTEGER NOT NULL REFERENCES run (id), quarter INTEGER NOT NULL,
    beat INTEGER NOT NULL, cells BLOB NOT NULL,
    trigger INTEGER REFERENCES channel (id), held INTEGER REFERENCES channel (id),
    UNIQUE (channel, run, quarter)
) STRICT;
CREATE TABLE gap_limit (
    run INTEGER NOT NULL REFERENCES run (id),
    channel INTEGER NOT NULL REFERENCES channel (id),
    since_us INTEGER NOT NULL, limit_us INTEGER NOT NULL, tick INTEGER NOT NULL,
    PRIMARY KEY (run, channel, since_us)
) STRICT, WITHOUT ROWID;
CREATE TABLE pin (
    run INTEGER NOT NULL REFERENCES run (id), start_us INTEGER NOT NULL,
    end_us INTEGER NOT NULL, why TEXT NOT NULL, PRIMARY KEY (run, start_us, end_us, why)
) STRICT, WITHOUT ROWID;
CREATE TABLE shed (
    run INTEGER NOT NULL REFERENCES run (id), what TEXT NOT NULL,
    until_us INTEGER NOT NULL, PRIMARY KEY (run, what)
) STRICT, WITHOUT ROWID;
CREATE TABLE erased (
    run INTEGER NOT NULL REFERENCES run (id), what TEXT NOT NULL,
    start_us INTEGER NOT NULL, end_us INTEGER NOT NULL,
    PRIMARY KEY (run, what, start_us, end_us)
) STRICT, WITHOUT ROWID;
CREATE TABLE frame_block (
    id INTEGER PRIMARY KEY, run INTEGER NOT NULL REFERENCES run (id),
    first_seq INTEGER NOT NULL, last_seq INTEGER NOT NULL, first_us INTEGER NOT NULL,
    last_us INTEGER NOT NULL, n INTEGER NOT NULL, items BLOB NOT NULL,
    UNIQUE (run, first_seq)
) STRICT;
ALTER TABLE gap ADD COLUMN tick INTEGER;
ALTER TABLE run ADD COLUMN uid TEXT NOT NULL DEFAULT '';
ALTER TABLE run ADD COLUMN dated_by TEXT NOT NULL DEFAULT 'computer';
ALTER TABLE run ADD COLUMN boot TEXT NOT NULL DEFAULT '';
ALTER TABLE run ADD COLUMN zero_uptime_us INTEGER;
ALTER TABLE run ADD COLUMN van_file INTEGER REFERENCES van_file (id);
"""

_THIRD_AFTER = """
DROP TABLE raw_block;
ALTER TABLE frame_block RENAME TO raw_block;
ALTER TABLE run DROP COLUMN van_text;
CREATE INDEX run_by_date ON run (start_us, end_us);
CREATE INDEX run_by_uid ON run (uid);
CREATE VIEW run_plain AS
    SELECT run.id AS run,
           strftime('%Y-%m-%dT%H:%M:%SZ', run.start_us / 1000000, 'unixepoch')
               AS start_utc,
           strftime('%Y-%m-%dT%H:%M:%SZ', (run.start_us + run.end_us) / 1000000,
               'unixepoch') AS end_utc,
           run.is_start_sure AS is_start_sure, run.dated_by AS dated_by,
           run.recording AS recording, run.program AS program
    FROM run;
CREATE VIEW quarter_plain AS
    SELECT strftime('%Y-%m-%dT%H:%M:%SZ',
               run.start_us / 1000000 + quarter.quarter * 900, 'unixepoch') AS t_utc,
           quarter.run AS run, channel.name AS channel, channel.unit AS unit,
           quarter.n AS n, quarter.min AS min, quarter.max AS max,
           quarter.mean AS mean, quarter.last AS last
    FROM quarter
    JOIN run ON run.id = quarter.run
    JOIN channel ON channel.id = quarter.channel;
CREATE VIEW event_plain AS
    SELECT strftime('%Y-%m-%dT%H:%M:%SZ', (run.start_us + event.t_us) / 1000000,
               'unixepoch') AS t_utc,
           event.run AS run, event.kind AS kind, event.text AS text
    FROM event
    JOIN run ON run.id = event.run;
"""


def _third(connection: Connection) -> None:
    _statements(_THIRD_BEFORE)(connection)
    runs = connection.execute(
        "SELECT id, van_text, recording_sha256, start_us, zero_stamp_us, program"
        " FROM run"
    ).fetchall()
    for run, text, recording, *own in runs:
        sha256 = hashlib.sha256(text.encode()).hexdigest()
        connection.execute(
            "INSERT OR IGNORE INTO van_file (sha256, text) VALUES (?, ?)",
            (sha256, text),
        )
        # The same in every copy of the log, so that two copies can be joined.
        uid = recording or hashlib.sha256(repr((run, *own)).encode()).hexdigest()
        connection.execute(
            "UPDATE run SET uid = ?, dated_by = ?, van_file ="
            " (SELECT id FROM van_file WHERE sha256 = ?) WHERE id = ?",
            (uid[:32], "recording" if recording else "computer", sha256, run),
        )
    keys = connection.execute("SELECT run, first_seq FROM raw_block").fetchall()
    for key in keys:
        last_seq, n, block = connection.execute(
            "SELECT last_seq, n, items FROM raw_block WHERE run = ? AND first_seq = ?",
            key,
        ).fetchone()
        try:
            times = [item.t_us for item in unpack_block(block)]
        except DamagedRowError:
            times = [0]  # kept as it is: somebody may still get something out of it
        connection.execute(
            "INSERT INTO frame_block (run, first_seq, last_seq, first_us, last_us, n,"
            " items) VALUES (?, ?, ?, ?, ?, ?, ?)",
            (*key, last_seq, min(times), max(times), n, block),
        )
    _statements(_THIRD_AFTER)(connection)


@dataclass(frozen=True, slots=True)
class Migration:
    """One numbered change: what it is for, and how it is made."""

    version: int
    what: str
    make: Callable[[Connection], None]


def _statements(text: str) -> Callable[[Connection], None]:
    def make(connection: Connection) -> None:
        for statement in text.split(";\n"):
            if statement.strip():
                connection.execute(statement)

    return make


MIGRATIONS = (
    Migration(
        1, "runs, ticks, minutes, gaps, trips, events, raw blocks", _statements(_FIRST)
    ),
    Migration(2, "a balance of each run, kept while it goes on", _statements(_SECOND)),
    Migration(
        3,
        "identities, one text a van file, quarter hours, seconds folded by channel,"
        " pins, what was shed",
        _third,
    ),
)
"""In order; the number of the last one is the version of a log written today."""


def version_of(connection: Connection) -> int:
    """Return the number of the last change made to an open log; 0 for a new file."""
    return _pragma(connection, "user_version")


def migrate(connection: Connection, name: str, now_us: int) -> None:
    """Bring an open log up to date.

    Args:
        connection: Open for writing, no transaction under way.
        name: The file's name, for messages.
        now_us: Wall clock, microseconds since the Unix epoch.

    Raises:
        StoreError: The file is not a log of this program, or of a later version.
    """
    version = version_of(connection)
    is_empty = connection.execute("SELECT count(*) FROM sqlite_schema").fetchone() == (
        0,
    )
    if _pragma(connection, "application_id") != APPLICATION_ID and not is_empty:
        raise StoreError(
            where=name,
            saw="a database of something else",
            fix="Give another name; this file was left as it is.",
        )
    if version > len(MIGRATIONS):
        raise StoreError(
            where=name,
            saw=f"a log of version {version}, this program knows {len(MIGRATIONS)}",
            fix="Use the newer program that wrote it.",
        )
    for migration in MIGRATIONS[version:]:
        connection.execute("BEGIN IMMEDIATE")
        migration.make(connection)
        connection.execute(
            "INSERT INTO schema_change (version, what, made_us) VALUES (?, ?, ?)",
            (migration.version, migration.what, now_us),
        )
        connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        connection.execute(f"PRAGMA user_version = {migration.version}")
        connection.execute("COMMIT")


def _pragma(connection: Connection, name: str) -> int:
    row = connection.execute(f"PRAGMA {name}").fetchone()
    assert row is not None
    return int(row[0])
