"""What is known of a run when it begins and when it is over, and the row it becomes."""

import json
from collections.abc import Mapping
from dataclasses import dataclass

from logger.store.connect import Connection
from logger.store.identity import run_uid, van_file


@dataclass(frozen=True, slots=True)
class RunStart:
    """What is known of a run when it begins.

    Attributes:
        recording: File name of the recording, None for a live run.
        recording_sha256: Digest of that file, None for a live run.
        start_us: Date of the run's zero, microseconds since the Unix epoch, or None.
        is_start_sure: True once that date is confirmed.
        zero_stamp_us: The source's own time stamp at the run's zero.
        program: Program and version.
        van_text: The whole van file.
        descriptions: Digest of each description file, by name.
        dated_by: What gave the date: `computer`, `network`, `satellites`, `person` or
            `recording`.
        boot: Which start of the computer a live run belongs to; empty if not known.
        zero_uptime_us: Uptime of the computer at the run's zero, microseconds; None
            for a recording.
        van_id: The van's identity, where its van file declares one.
        uid: Identity of the run, where it goes on in another file; empty for a new one.
    """

    recording: str | None
    recording_sha256: str | None
    start_us: int | None
    is_start_sure: bool
    zero_stamp_us: int
    program: str
    van_text: str
    descriptions: Mapping[str, str]
    dated_by: str = "computer"
    boot: str = ""
    zero_uptime_us: int | None = None
    van_id: str = ""
    uid: str = ""


@dataclass(frozen=True, slots=True)
class RunEnd:
    """What is known of a run when it is over."""

    end_us: int
    damaged_lines: int = 0


def insert_run(connection: Connection, start: RunStart) -> int:
    """Store a new run in an open log; return its number. A transaction is under way."""
    row = connection.execute(
        "INSERT INTO run (recording, recording_sha256, start_us, is_start_sure,"
        " zero_stamp_us, program, van_file, descriptions, uid, dated_by, boot,"
        " zero_uptime_us)"
        " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?) RETURNING id",
        (
            start.recording,
            start.recording_sha256,
            start.start_us,
            int(start.is_start_sure),
            start.zero_stamp_us,
            start.program,
            van_file(connection, start.van_text),
            json.dumps(dict(start.descriptions), sort_keys=True),
            start.uid or run_uid(start.recording_sha256),
            start.dated_by,
            start.boot,
            start.zero_uptime_us,
        ),
    ).fetchone()
    return int(row[0])
