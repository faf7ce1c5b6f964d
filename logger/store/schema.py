"""The data dictionary: every table and column of a log, with unit and meaning.

The manual page is made from it, and a test holds it to what the migrations build. All
times called `_us` are microseconds since the zero of their run, unless said otherwise;
the date of a run is one row, so that a clock set right later rewrites nothing.
"""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Column:
    """One column: its name (with the unit as suffix), SQLite type and meaning."""

    name: str
    sql_type: str
    meaning: str


@dataclass(frozen=True, slots=True)
class Table:
    """One table or view and what a row of it stands for."""

    name: str
    meaning: str
    columns: tuple[Column, ...]


def _table(name: str, meaning: str, *rows: str) -> Table:
    columns = []
    for row in rows:
        head, text = row.split(":", 1)
        column, sql_type = head.split()
        columns.append(Column(column, sql_type, text.strip()))
    return Table(name, meaning, tuple(columns))


TABLES = (
    _table(
        "schema_change",
        "One change of the tables, in the order made.",
        "version INTEGER: number of the change",
        "what TEXT: what changed, in words",
        "made_us INTEGER: wall clock, microseconds since the Unix epoch, UTC",
    ),
    _table(
        "van",
        "Whose book this is; one row.",
        "id TEXT: the van's own identity, the same in every log of it",
        "is_declared INTEGER: 1 where its van file says it, 0 where it was made up",
        "made_us INTEGER: wall clock, microseconds since the Unix epoch, UTC",
    ),
    _table(
        "van_file",
        "One version of the van file; runs refer to it.",
        "id INTEGER: number of the version in this log",
        "sha256 TEXT: digest of the text",
        "text TEXT: the whole van file",
    ),
    _table(
        "run",
        "One stretch of the logger being up, or one recording that was replayed.",
        "id INTEGER: number of the run",
        "recording TEXT: file name of the recording; NULL for a live run",
        "recording_sha256 TEXT: digest of that file; NULL for a live run",
        "start_us INTEGER: date of the run's zero, microseconds since the Unix epoch, "
        "UTC; NULL while unknown",
        "is_start_sure INTEGER: 1 once that date is confirmed, else 0",
        "zero_stamp_us INTEGER: the recording's own time stamp at the run's zero",
        "end_us INTEGER: newest sample; NULL while the run is under way",
        "program TEXT: program and version that wrote the run",
        "descriptions TEXT: JSON object, digest (SHA-256) by description file",
        "damaged_lines INTEGER: lines of the recording that could not be read",
        "uid TEXT: identity of the run, the same in every copy of the log",
        "dated_by TEXT: what gave the date: computer, network, satellites, person or "
        "recording",
        "boot TEXT: which start of the computer it belongs to; empty if not known",
        "zero_uptime_us INTEGER: uptime of the computer at the run's zero, "
        "microseconds; NULL for a recording",
        "van_file INTEGER: the van file that it was counted by",
    ),
    _table(
        "balance",
        "What a run has come to; brought up to date every few seconds while it lasts.",
        "run INTEGER: the run",
        "t_us INTEGER: newest moment that it covers",
        "counted_pct REAL: the bare count by then, %; NULL if unknown",
        "sigma_pct REAL: one standard deviation of it, points; NULL without a pack",
        "moved_pct REAL: its change since its start was known, over runs, points",
        "start_sigma_pct REAL: one standard deviation of that start, points",
        "counted_s REAL: time counted since that start",
        "unseen_s REAL: time since that start that nobody saw",
        "unmatched_frames INTEGER: frames that no fed message describes",
        "unmatched_lines INTEGER: lines that no fed kind of line describes",
        "newest_entry INTEGER: number of the newest entry of the desk that was booked",
    ),
    _table(
        "channel",
        "One recorded series; the number stands for the name in ticks and minutes.",
        "id INTEGER: number of the channel in this file",
        "name TEXT: name of the channel, its unit as suffix",
        "unit TEXT: symbol of the unit; 'code' for coded channels",
        "label TEXT: what a person reads",
    ),
    _table(
        "tick",
        "One second of a run in which something was heard, until it is folded into "
        "span and block.",
        "run INTEGER: the run",
        "tick INTEGER: whole seconds since the run's zero",
        "cells BLOB: what every channel did, packed (see store/packed.py)",
    ),
    _table(
        "minute",
        "One minute of one channel, for people, charts and SQL.",
        "run INTEGER: the run",
        "minute INTEGER: whole minutes since the run's zero",
        "channel INTEGER: the channel",
        "n INTEGER: samples",
        "min REAL: smallest sample, channel's unit",
        "max REAL: largest sample, channel's unit",
        "mean REAL: time-weighted mean, channel's unit",
        "last REAL: newest sample, channel's unit",
        "covered_s REAL: time that the mean covers; mean times it is the integral",
    ),
    _table(
        "quarter",
        "One quarter of an hour of one channel, for long charts and SQL.",
        "channel INTEGER: the channel",
        "run INTEGER: the run",
        "quarter INTEGER: whole quarters of an hour since the run's zero",
        "n INTEGER: samples",
        "min REAL: smallest sample, channel's unit",
        "max REAL: largest sample, channel's unit",
        "mean REAL: time-weighted mean, channel's unit",
        "last REAL: newest sample, channel's unit",
        "covered_s REAL: time that the mean covers; mean times it is the integral",
    ),
    _table(
        "span",
        "The seconds of a quarter of an hour, folded: which ones, and how each source "
        "beat in them.",
        "run INTEGER: the run",
        "quarter INTEGER: whole quarters of an hour since the run's zero",
        "n INTEGER: seconds",
        "beats BLOB: seconds and beats, packed (see store/folded.py)",
    ),
    _table(
        "block",
        "The seconds of one channel over a quarter of an hour, folded.",
        "id INTEGER: number of the block; the blocks of a quarter lie together",
        "channel INTEGER: the channel",
        "run INTEGER: the run",
        "quarter INTEGER: whole quarters of an hour since the run's zero",
        "beat INTEGER: place of its beat in the span",
        "cells BLOB: the values, packed (see store/folded.py)",
        "trigger INTEGER: the channel that it is told from; NULL where it is told "
        "whole",
        "held INTEGER: the channel that it is told from as well, as a second factor; "
        "NULL where there is none",
    ),
    _table(
        "gap_limit",
        "From when on a longer silence of a channel is a gap; the first row of a "
        "channel in a run tells its first sample.",
        "run INTEGER: the run",
        "channel INTEGER: the channel",
        "since_us INTEGER: from when on",
        "limit_us INTEGER: the longest silence that is no gap",
        "tick INTEGER: the second that told it",
    ),
    _table(
        "pin",
        "A stretch whose frames the ring of the flight recorder spares.",
        "run INTEGER: the run",
        "start_us INTEGER: start",
        "end_us INTEGER: end",
        "why TEXT: what it is kept for, in words",
    ),
    _table(
        "shed",
        "What of a run is no longer kept, to make room or by the van file.",
        "run INTEGER: the run",
        "what TEXT: frames, seconds, minutes or quarters; places or notes where these "
        "were erased; unswept while what was erased is still in free pages",
        "until_us INTEGER: up to when",
    ),
    _table(
        "erased",
        "A stretch that was erased on request: no copy of the log brings it back.",
        "run INTEGER: the run",
        "what TEXT: what it was; trip",
        "start_us INTEGER: start",
        "end_us INTEGER: end",
    ),
    _table(
        "gap",
        "A stretch of one channel that was not seen and not counted.",
        "run INTEGER: the run",
        "channel INTEGER: the channel",
        "start_us INTEGER: last sample before",
        "end_us INTEGER: first sample after",
        "tick INTEGER: the second that holds that sample; NULL in logs of version 2",
    ),
    _table(
        "trip",
        "One trip. What was not measured is NULL.",
        "run INTEGER: the run",
        "start_us INTEGER: first sample",
        "end_us INTEGER: last sample",
        "skipped_us INTEGER: time within that was not seen",
        "distance_m REAL: way",
        "energy_out_wh REAL: left the pack, at least 0",
        "energy_in_wh REAL: entered the pack, at least 0",
        "charge_net_ah REAL: into the pack; negative on a drive",
        "sun_wh REAL: from all solar strings",
        "shore_wh REAL: from all chargers",
        "used_wh REAL: net of the pack plus sun plus shore: what road and house took",
        "soc_start_pct REAL: state of charge at the start",
        "soc_end_pct REAL: state of charge at the end",
        "soc_low_end_pct REAL: low end of its 95 % band",
        "soc_high_end_pct REAL: high end of its 95 % band",
        "soc_counted_change_pct REAL: change of the bare count",
    ),
    _table(
        "run_total",
        "What one account came to over one run.",
        "run INTEGER: the run",
        "channel INTEGER: the account",
        "integral REAL: the channel's unit times s",
        "covered_us INTEGER: time that was counted",
        "skipped_us INTEGER: time that was not seen",
    ),
    _table(
        "refusal",
        "What was refused at one place of one run, for one reason.",
        "run INTEGER: the run",
        "place TEXT: where it came from",
        "reason TEXT: why it was refused",
        "n INTEGER: how often",
        "first_us INTEGER: the first time",
        "last_us INTEGER: the last time",
        "sample TEXT: the newest one: bytes in hexadecimal, or the text",
    ),
    _table(
        "event",
        "Something that happened to the record itself.",
        "run INTEGER: the run",
        "t_us INTEGER: when",
        "kind TEXT: what kind of thing",
        "text TEXT: what happened, in words, with values and units",
    ),
    _table(
        "raw_block",
        "Frames and lines as they came in, packed (see store/recording.py).",
        "id INTEGER: number of the block",
        "run INTEGER: the run",
        "first_seq INTEGER: sequence number of the first item",
        "last_seq INTEGER: sequence number of the last item",
        "first_us INTEGER: time of the earliest item",
        "last_us INTEGER: time of the latest item",
        "n INTEGER: items",
        "items BLOB: the items, compressed",
    ),
    _table(
        "minute_plain",
        "View: minutes with channel names and dates.",
        "t_utc TEXT: start of the minute, ISO 8601; NULL while the date is unknown",
        "run INTEGER: the run",
        "channel TEXT: name of the channel",
        "unit TEXT: its unit",
        "n INTEGER: samples",
        "min REAL: smallest sample",
        "max REAL: largest sample",
        "mean REAL: time-weighted mean",
        "last REAL: newest sample",
    ),
    _table(
        "run_plain",
        "View: runs with dates.",
        "run INTEGER: the run",
        "start_utc TEXT: its zero, ISO 8601; NULL while the date is unknown",
        "end_utc TEXT: its newest sample, ISO 8601; NULL while unknown or under way",
        "is_start_sure INTEGER: 1 once the date is confirmed, else 0",
        "dated_by TEXT: what gave the date",
        "recording TEXT: file name of the recording; NULL for a live run",
        "program TEXT: program and version that wrote the run",
    ),
    _table(
        "quarter_plain",
        "View: quarters of an hour with channel names and dates.",
        "t_utc TEXT: start of the quarter, ISO 8601; NULL while the date is unknown",
        "run INTEGER: the run",
        "channel TEXT: name of the channel",
        "unit TEXT: its unit",
        "n INTEGER: samples",
        "min REAL: smallest sample",
        "max REAL: largest sample",
        "mean REAL: time-weighted mean",
        "last REAL: newest sample",
    ),
    _table(
        "event_plain",
        "View: events with dates.",
        "t_utc TEXT: when, ISO 8601; NULL while the date is unknown",
        "run INTEGER: the run",
        "kind TEXT: what kind of thing",
        "text TEXT: what happened, in words",
    ),
    _table(
        "trip_plain",
        "View: trips with dates and shown units.",
        "start_utc TEXT: first sample, ISO 8601; NULL while the date is unknown",
        "end_utc TEXT: last sample, ISO 8601; NULL while the date is unknown",
        "run INTEGER: the run",
        "distance_mi REAL: way in miles",
        "used_wh REAL: what road and house took",
        "soc_start_pct REAL: state of charge at the start",
        "soc_end_pct REAL: state of charge at the end",
    ),
)
