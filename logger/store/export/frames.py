"""Everything that came in, one row each: frames, lines and what people told."""

import json
from collections.abc import Iterator, Sequence
from typing import assert_never

from logger.decode.frames import Beat, Entry, Frame, Line, Raw
from logger.store.export.choice import Extract, Part
from logger.store.export.queries import raw_within
from logger.store.export.sheet import Column, Sheet, Value, stamp, text, whole

FRAME_COLUMNS = (
    stamp("t_utc"),
    Column("t_s", digits=6),
    whole("run"),
    whole("seq"),
    text("kind"),
    text("source"),
    text("frame_id"),
    whole("is_extended"),
    text("data_hex"),
)


def raw(extract: Extract) -> Iterator[tuple[Part, Raw]]:
    """Yield what came in, in order of arrival, run by run."""
    for part in extract.each():
        found = raw_within(extract.log, part.run.id, part.start_us, part.end_us)
        for item in found:
            extract.reached(part, item.t_us)
            yield part, item


def frames(extract: Extract) -> Sheet:
    """Return one row a frame, line or entry of the desk; beats tell nothing more."""
    rows = (row for part, item in raw(extract) if (row := _row(part, item)) is not None)
    return Sheet(FRAME_COLUMNS, rows)


def _row(part: Part, item: Raw) -> Sequence[Value] | None:
    run = part.run
    head = (run.date_us(item.t_us), run.stamp_s(item.t_us), run.id, item.seq)
    match item:
        case Frame():
            kind = ("frame", item.bus, frame_id(item), int(item.is_extended))
            return (*head, *kind, item.data.hex())
        case Line():
            return (*head, "line", item.port, None, None, item.data.hex())
        case Entry():
            return (*head, "entry", "desk", None, None, _told(item).hex())
        case Beat():
            return None
        case _:
            assert_never(item)


def frame_id(frame: Frame) -> str:
    """Return an identifier in hexadecimal: 8 digits for 29 bits, else 3."""
    return f"{frame.can_id:0{8 if frame.is_extended else 3}X}"


def _told(entry: Entry) -> bytes:
    """Return what a person told as JSON, like the flight recorder keeps it."""
    told = {
        "number": entry.number,
        "kind": entry.kind,
        "text": entry.text,
        "channel": entry.channel,
        "value": entry.value,
    }
    return json.dumps(told).encode()
