"""Live and bulk decoding against cantools, in one run, on a recorded bus.

Prints what DEVELOPERS.md ("Figures to reach") sets beside what was measured. The bus is
ev-can-power-cycle with its description (see tests/data/README.md): every frame of it
that its description tells, whole, in the order in which it came.
"""

import time
from collections.abc import Callable, Iterator, Mapping, Sequence

import cantools.database
from cantools.database.can import Database

from logger.decode.descriptions import (
    Decoder,
    DescribedMessage,
    Form,
    Match,
    MessageTable,
    message_key,
    read_description,
)
from logger.decode.frames import Frame, Rejected
from replay.bulk import unpack
from replay.formats.candump import CandumpRecording
from replay.formats.reading import Progress
from replay.formats.timeline import Timeline
from tests.running import DATA

ROUNDS = 7
"""Each way is timed so often, in turns, and the quickest counts: what a busy machine
adds is never taken for the work."""

TIMES = 20
"""How often the recording is taken for the bulk path, which is for long ones; the
recording has 220 frames a message, and numpy's calls would be most of it."""

BULK = "bulk, sorted by message before"


def main() -> Iterator[str]:
    """Yield the lines of the report."""
    text = (DATA / "can" / "ev-powertrain.dbc").read_text(encoding="cp1252")
    database = cantools.database.load_string(text, "dbc")
    assert isinstance(database, Database)
    messages = read_description(text, Form.DBC)
    table = MessageTable((message_key(m, Match.IDENTIFIER), m) for m in messages)
    frames = whole_frames(table)
    found = [
        (decoder, frame.data)
        for frame in frames
        if (decoder := table.find(frame)) is not None
    ]
    gathered = [
        (message, [data for decoder, data in found if decoder is message] * TIMES)
        for message in messages
    ]
    took = fastest(
        {
            "cantools": lambda: by_cantools(database, frames),
            "live": lambda: live(table, frames),
            "live, message found before": lambda: decode_alone(found),
            BULK: lambda: in_bulk(gathered),
        }
    )
    took[BULK] /= TIMES
    values = sum(len(decoder.signals) for decoder, _ in found)
    yield f"{len(frames)} frames of {len(messages)} messages, {values} values"
    yield f"{'way':<32} {'us a frame':>12} {'times cantools':>15} {'to reach':>10}"
    goals = {"live": ">= 4 (5)"}
    for name, seconds in took.items():
        each_us = seconds / len(frames) * 1e6
        ratio = took["cantools"] / seconds
        yield f"{name:<32} {each_us:>12.3f} {ratio:>15.2f} {goals.get(name, ''):>10}"
    yield from reading_lines(text)


def whole_frames(table: MessageTable) -> list[Frame]:
    """Return the frames of the recording that are described and not too short."""
    file = DATA / "can" / "ev-can-power-cycle.log.gz"
    log = CandumpRecording(file, {"can0": "drive"}, Progress())
    found = []
    for item in log.items(Timeline()):
        assert isinstance(item, Frame)
        decoder = table.find(item) if item.bus == "drive" else None
        if decoder and not isinstance(decoder.decode(item.data), Rejected):
            found.append(item)
    return found


def by_cantools(database: Database, frames: list[Frame]) -> None:
    """Decode every frame with cantools alone."""
    decode = database.decode_message
    for frame in frames:
        decode(frame.can_id, frame.data, decode_choices=False)


def live(table: MessageTable, frames: list[Frame]) -> None:
    """Find and decode every frame as the pipeline does."""
    find = table.find
    for frame in frames:
        decoder = find(frame)
        if decoder is not None:
            decoder.decode(frame.data)


def decode_alone(found: Sequence[tuple[Decoder, bytes]]) -> None:
    """Decode every payload whose message is known already."""
    for decoder, data in found:
        decoder.decode(data)


def in_bulk(gathered: Sequence[tuple[DescribedMessage, Sequence[bytes]]]) -> None:
    """Unpack all payloads of each message at once."""
    for message, payloads in gathered:
        if payloads:
            unpack(message, payloads)


def fastest(ways: Mapping[str, Callable[[], object]]) -> dict[str, float]:
    """Return the shortest of some rounds of each way, seconds."""
    shortest = dict.fromkeys(ways, float("inf"))
    for _ in range(ROUNDS):
        for name, way in ways.items():
            start_s = time.perf_counter()
            way()
            shortest[name] = min(shortest[name], time.perf_counter() - start_s)
    return shortest


def reading_lines(text: str) -> Iterator[str]:
    """Yield how long it takes to read the description, with and without unpackers."""
    took = fastest(
        {
            "read by cantools": lambda: cantools.database.load_string(text, "dbc"),
            "read and turned into unpackers": lambda: read_description(text, Form.DBC),
        }
    )
    for name, seconds in took.items():
        yield f"{name:<32} {seconds * 1e3:>9.1f} ms"
