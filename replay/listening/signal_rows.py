"""Every signal seen, one row each, as CSV: the columns are part of the interface."""

import csv
from collections.abc import Iterator
from typing import TextIO

from replay.listening.heard import Ear, Identifier, in_order
from replay.listening.signals import SignalSeen

COLUMNS = (
    "bus", "message", "frame_id", "signal", "n", "first", "last", "min", "max", "mean",
)  # fmt: skip


def write_signals(ear: Ear, file: TextIO) -> None:
    """Write one row a signal of each identifier.

    Values are in the units of the description; a signal that had none is left out.
    """
    writer = csv.writer(file, lineterminator="\n")
    writer.writerow(COLUMNS)
    writer.writerows(_rows(ear))


def _rows(ear: Ear) -> Iterator[tuple[str | int | float, ...]]:
    for bus in ear.buses.values():
        for each in in_order(bus):
            decoded = ear.believed(bus, each)
            if decoded is None:
                continue
            head = (bus.name.removeprefix("?"), decoded.decoder.name, frame_id(each))
            for seen in decoded.signals:
                if seen.n:
                    yield (*head, seen.name, *_figures(seen))


def _figures(seen: SignalSeen) -> tuple[int | float, ...]:
    return (seen.n, seen.first, seen.last, seen.low, seen.high, seen.mean)


def frame_id(each: Identifier) -> str:
    """Return an identifier in hexadecimal: 8 digits for 29 bits, else 3."""
    return f"0x{each.can_id:0{8 if each.is_extended else 3}X}"
