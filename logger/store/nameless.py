"""Van files without the van's name and without comments; what they set stays."""

import hashlib
import json
import tomllib
from collections.abc import Iterator, Mapping
from typing import Any

from logger.store.connect import Connection

NAME = "Van"


def without_names(connection: Connection) -> None:
    """Write all van files of a log anew, nameless; a transaction is under way."""
    rows = connection.execute("SELECT id, text FROM van_file").fetchall()
    for number, text in rows:
        plain = nameless(str(text))
        if plain == text:
            continue
        sha256 = hashlib.sha256(plain.encode()).hexdigest()
        same = connection.execute(
            "SELECT id FROM van_file WHERE sha256 = ?", (sha256,)
        ).fetchone()
        if same is None:
            connection.execute(
                "UPDATE van_file SET sha256 = ?, text = ? WHERE id = ?",
                (sha256, plain, number),
            )
            continue
        connection.execute(
            "UPDATE run SET van_file = ? WHERE van_file = ?", (same[0], number)
        )
        connection.execute("DELETE FROM van_file WHERE id = ?", (number,))


def nameless(text: str) -> str:
    """Return a van file with the same settings, another name and no comments.

    One that cannot be read is left with the name alone.
    """
    try:
        settings = tomllib.loads(text)
        settings["van"] = {**settings["van"], "name": NAME}
    except (ValueError, KeyError, TypeError, RecursionError):
        settings = {"van": {"name": NAME}}
    return "\n".join(_lines(settings)) + "\n"


def _lines(settings: Mapping[str, Any]) -> Iterator[str]:
    for key, value in settings.items():
        if isinstance(value, dict):
            yield f"[{key}]"
            yield from _pairs(value)
        elif isinstance(value, list) and value and isinstance(value[0], dict):
            for section in value:
                yield f"[[{key}]]"
                yield from _pairs(section)


def _pairs(section: Mapping[str, Any]) -> Iterator[str]:
    for key, value in section.items():
        yield f"{_key(key)} = {_value(value)}"


def _key(key: str) -> str:
    return json.dumps(key)


def _value(value: Any) -> str:
    """Return a value as TOML: its strings, numbers and lists are written as JSON's."""
    if isinstance(value, dict):
        inner = ", ".join(f"{_key(k)} = {_value(v)}" for k, v in value.items())
        return f"{{{inner}}}"
    if isinstance(value, list):
        return f"[{', '.join(map(_value, value))}]"
    if isinstance(value, bool | str):
        return json.dumps(value)
    return repr(value)
