"""A listening as JSON, for other programs."""

from replay.listening.groups import Talk, talks
from replay.listening.heard import BusHeard, Ear
from replay.listening.hearing import Hearing
from replay.listening.lines_heard import PortHeard
from replay.listening.signal_rows import frame_id

Json = dict[str, object]


def as_json(hearing: Hearing) -> Json:
    """Return a listening as plain values; absent ones are None."""
    ear = hearing.ear
    return {
        "buses": [_bus(ear, bus) for bus in ear.buses.values()],
        "ports": [_port(port) for port in hearing.lines.ports.values()],
        "remarks": hearing.remarks,
    }


def _bus(ear: Ear, bus: BusHeard) -> Json:
    return {
        "bus": bus.name.removeprefix("?"),
        "is_in_van_file": not bus.name.startswith("?"),
        "frames": bus.n,
        "duration_s": bus.duration_s,
        "identifiers": len(bus.identifiers),
        "incomplete_messages": bus.incomplete,
        "described_by": [
            each.name for each in ear.described if bus.name in ear.fits(each)
        ],
        "entries": [_talk(each) for each in talks(ear, bus)],
    }


def _talk(talk: Talk) -> Json:
    return {
        "frame_ids": [frame_id(each) for each in talk.members],
        "group": talk.members[0].group,
        "frames": talk.n,
        "rate_hz": talk.rate_hz,
        "moving_bytes": [i for i, mark in enumerate(talk.moving) if mark == "*"],
        "message": None if talk.decoded is None else talk.decoded.decoder.name,
        "values": [
            {"signal": v.name, "last": v.last, "min": v.low, "max": v.high,
             "unit": v.unit or None}
            for v in talk.values
        ],
        "refused": talk.refused,
    }  # fmt: skip


def _port(port: PortHeard) -> Json:
    return {
        "port": port.name,
        "lines": port.n,
        "duration_s": port.duration_s,
        "sentences": port.sentences,
        "checksum_ok": port.checksum_ok,
        "checksum_bad": port.checksum_bad,
        "kinds": [
            {
                "kind": kind.name,
                "lines": kind.n,
                "is_described": kind.form is not None,
                "refused": kind.refused,
                "values": kind.values,
            }
            for kind in port.kinds.values()
        ],
    }
