"""The logger listens: no code of it speaks to a bus, nor to a port but what is told.

That the kernel indeed gets nothing to send is shown in `tests/kernel`.
"""

import ast
from pathlib import Path

import pytest

from tests.house.pages import ROOT

LOGGER = sorted((ROOT / "logger").rglob("*.py"))

OPENS = {"Bus", "Serial", "serial_for_url", "AF_CAN"}
"""What opens a bus or a port."""

SPEAKS = {
    *("send", "sendall", "sendto", "sendmsg", "sendmsg_afalg", "sendfile"),
    *("send_periodic", "write", "writelines", "write_text", "write_bytes"),
    *("pwrite", "writev", "ioctl", "tcsendbreak", "send_break", "connect"),
}
"""What speaks on one that is open."""

MAY_SPEAK = {
    # Devices that only speak when they are asked; see `test_writers` for the questions.
    "logger/sources/modbus_port.py": {"write"},
    # How the adapter is to open its bus, for listening only as a rule.
    "logger/sources/slcan.py": {"write"},
}
"""Modules of `logger/sources` that say something, and by what; each says why."""


def name_of(path: Path) -> str:
    """Return a module's place in the project."""
    return path.relative_to(ROOT).as_posix()


def used(source: str) -> set[str]:
    """Return the names that stand behind a dot, or are imported one by one."""
    tree = ast.parse(source)
    dotted = {node.attr for node in ast.walk(tree) if isinstance(node, ast.Attribute)}
    imported = {
        alias.name
        for node in ast.walk(tree)
        if isinstance(node, ast.ImportFrom)
        for alias in node.names
    }
    return dotted | imported


@pytest.mark.parametrize("path", LOGGER, ids=name_of)
def test_buses_and_ports_are_opened_in_one_room(path: Path) -> None:
    if not name_of(path).startswith("logger/sources/"):
        assert used(path.read_text(encoding="utf-8")) & OPENS == set()


@pytest.mark.parametrize(
    "path", [each for each in LOGGER if each.parent.name == "sources"], ids=name_of
)
def test_no_source_speaks(path: Path) -> None:
    spoken = used(path.read_text(encoding="utf-8")) & SPEAKS
    assert spoken == MAY_SPEAK.get(name_of(path), set())


def test_the_room_does_open_and_hear() -> None:
    texts = [path.read_text(encoding="utf-8") for path in LOGGER]
    names = set().union(*(used(text) for text in texts))
    assert {"Bus", "Serial", "AF_CAN", "recv", "recvmsg", "read"} <= names


@pytest.mark.parametrize(
    "source", ["bus.send(frame)", "import os\nos.write(3, b'')", "from os import write"]
)
def test_speaking_is_noticed(source: str) -> None:
    assert used(source) & SPEAKS
