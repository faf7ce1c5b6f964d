"""What the bundled tables make of one frame."""

from functools import lru_cache

from logger.decode.descriptions import MessageTable, message_key
from logger.decode.frames import Frame, Rejected
from logger.van.bundled import read_bundled


@lru_cache
def table(name: str) -> MessageTable:
    """Return a bundled table as frames find their message in it."""
    read = read_bundled(name)
    return MessageTable(
        (message_key(each, read.bundle.match), each) for each in read.messages
    )


def read(name: str, can_id: int, payload: str) -> dict[str, float | int | None]:
    """Return what a table makes of a payload in hex, by signal name."""
    data = bytes.fromhex(payload)
    sent = Frame(0, 0, "drive", can_id, can_id > 0x7FF, data)
    decoder = table(name).find(sent)
    assert decoder is not None, f"{can_id:X} is not in {name}"
    values = decoder.decode(data)
    assert not isinstance(values, Rejected), values
    return dict(zip(decoder.signals, values, strict=True))
