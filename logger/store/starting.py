"""What is known of a run when it begins, live or recorded: made in one place."""

import json
from importlib.metadata import version

from logger.core.tick import US_PER_S
from logger.store.keeping import Limits
from logger.store.writer import RunStart
from logger.van.reading import Van

BYTES_PER_MB = 1_000_000
US_PER_DAY = 86_400 * US_PER_S

PROGRAM = f"ampledger {version('ampledger')}"
"""Program and version, as every run and snapshot names it."""


def live_start(
    van: Van,
    start_us: int,
    is_start_sure: bool,
    boot: str = "",
    zero_uptime_us: int | None = None,
    dated_by: str = "network",
) -> RunStart:
    """Return the start of a run without a recording.

    Args:
        van: The van.
        start_us: Date of the run's zero, microseconds since the Unix epoch.
        is_start_sure: True where that date is confirmed.
        boot: Which start of the computer it belongs to; empty if not known.
        zero_uptime_us: Uptime of the computer at the run's zero, microseconds.
        dated_by: What confirmed the date, where it is.
    """
    return RunStart(
        recording=None,
        recording_sha256=None,
        start_us=start_us,
        is_start_sure=is_start_sure,
        zero_stamp_us=start_us,
        program=PROGRAM,
        van_text=van.text,
        descriptions=digests(van),
        dated_by=dated_by if is_start_sure else "computer",
        boot=boot,
        zero_uptime_us=zero_uptime_us,
        van_id=van.settings.van.id,
    )


def limits(van: Van) -> Limits:
    """Return what the log of a van keeps, as its van file says."""
    keep = van.settings.keep
    days = keep.quarters_days
    return Limits(
        size_bytes=int(keep.size_mb * BYTES_PER_MB),
        frames_bytes=int(keep.frames_mb * BYTES_PER_MB),
        frames_us=int(keep.frames_days * US_PER_DAY),
        seconds_us=int(keep.seconds_days * US_PER_DAY),
        minutes_us=int(keep.minutes_days * US_PER_DAY),
        quarters_us=None if days is None else int(days * US_PER_DAY),
    )


def digests(van: Van) -> dict[str, str]:
    """Return the digest of each description file of a van, by its name."""
    return {file.name: file.sha256 for file in van.descriptions}


def digests_text(van: Van) -> str:
    """Return those digests as a run stores them."""
    return json.dumps(digests(van), sort_keys=True)
