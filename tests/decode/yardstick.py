"""Descriptions by others, and cantools as the yardstick of what they say of a payload.

Values are compared as `repr` tells them: 1 is not 1.0, and no bit of a float is lost.
The descriptions have numbers for names.
"""

import importlib.util
import math
import random
import zipfile
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import cantools.database
from cantools.database.can import Database, Message
from cantools.database.errors import Error as CantoolsError

from logger.decode.descriptions import DescribedMessage, compile_message
from logger.decode.frames import Reason, Rejected
from replay.bulk import unpack
from tests.running import DATA

NETWORKS = DATA / "dbc" / "network-descriptions.zip"
FORMS = ("dbc", "kcd", "sym")
ROAD_PACKAGE = "opendbc"
HAS_ROAD = importlib.util.find_spec(ROAD_PACKAGE) is not None


@dataclass(frozen=True, slots=True)
class Text:
    """One description file: its form and what stands in it."""

    form: str
    text: str


@lru_cache(1)
def networks() -> dict[str, Text]:
    """Return the 61 descriptions of many shapes by their numbers."""
    with zipfile.ZipFile(NETWORKS) as archive:
        found = {}
        for name in archive.namelist():
            stem, _, form = Path(name).name.partition(".")
            if form in FORMS:
                encoding = "utf-8" if form == "kcd" else "cp1252"
                text = archive.read(name).decode(encoding, errors="replace")
                found[stem.partition("-")[2]] = Text(form, text)
        return found


@lru_cache(1)
def road_descriptions() -> tuple[Text, ...]:
    """Return the descriptions of road vehicles, those that are put together last."""
    if not HAS_ROAD:
        return ()
    package = importlib.import_module(ROAD_PACKAGE)
    folder = Path(package.DBC_PATH)
    texts = [
        file.read_text(encoding="utf-8", errors="replace")
        for file in sorted(folder.rglob("*.dbc"))
    ]
    together = package.get_generated_dbcs()
    texts += [together[name] for name in sorted(together)]
    return tuple(Text("dbc", text) for text in texts)


@lru_cache(4)
def messages_of(text: Text) -> tuple[DescribedMessage, ...] | None:
    """Return the messages of a description; None where cantools refuses it."""
    try:
        database = cantools.database.load_string(text.text, text.form)
    except CantoolsError:
        return None
    assert isinstance(database, Database)
    return tuple(compile_message(message) for message in database.messages)


def payloads(message: DescribedMessage, count: int, seed: int) -> list[bytes]:
    """Return random payloads; some with few bits set, so that selectors select."""
    draw = random.Random(seed)
    length = message.message.length
    extremes = [bytes(length), b"\xff" * length, b"\x7f" * length, b"\x80" * length]
    return extremes + [_payload(draw, length, each) for each in range(count)]


def _payload(draw: random.Random, length: int, number: int) -> bytes:
    data = draw.randbytes(length)
    match number % 4:
        case 1:
            return bytes(
                a & b for a, b in zip(data, draw.randbytes(length), strict=True)
            )
        case 2:
            return bytes(byte & 0x0F for byte in data)
        case 3:
            return data + draw.randbytes(draw.randrange(5))
        case _:
            return data


def by_cantools(message: Message, data: bytes) -> object:
    """Return what cantools makes of a payload, None where that has no value."""
    if len(data) < message.length:
        return Rejected(Reason.SHORT, data)
    try:
        decoded = message.decode_simple(data, decode_choices=False)
    except (CantoolsError, ValueError, OverflowError):
        return Rejected(Reason.UNDECODABLE, data)
    return tuple(_finite(decoded.get(signal.name)) for signal in message.signals)


def _finite(value: object) -> object:
    return None if isinstance(value, float) and not math.isfinite(value) else value


def differences(message: DescribedMessage, data: Sequence[bytes]) -> Iterator[str]:
    """Yield where live or bulk say otherwise than cantools."""
    bulk = unpack(message, data).rows()
    for payload, many in zip(data, bulk, strict=True):
        told = repr(by_cantools(message.message, payload))
        one = repr(message.decode(payload))
        if not told == one == repr(many):
            yield f"{payload.hex()}: cantools {told}, live {one}, bulk {many!r}"


def first_difference(
    messages: Iterable[DescribedMessage], count: int, seed: int = 1
) -> str | None:
    """Return the first difference within some messages, or None."""
    for number, message in enumerate(messages):
        for found in differences(message, payloads(message, count, seed)):
            return f"message {number}: {found}"
    return None
