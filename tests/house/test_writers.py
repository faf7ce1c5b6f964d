"""What the one module that asks on a port may say: two questions that read.

That no other one speaks is held by `test_listening`.
"""

import ast

from tests.house.test_structure import OURS, name_of, tree_of

POLLER = "logger/sources/modbus_port.py"


def taken_from_pymodbus(tree: ast.Module) -> set[str]:
    """Return what a module imports of pymodbus, wherever it does."""
    found = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            found |= {each.name for each in node.names if "pymodbus" in each.name}
        elif isinstance(node, ast.ImportFrom) and "pymodbus" in (node.module or ""):
            found |= {alias.name for alias in node.names}
    return found


def test_only_the_poller_knows_how_to_ask() -> None:
    askers = [name_of(path) for path in OURS if taken_from_pymodbus(tree_of(path))]
    assert askers == [POLLER]


def test_the_poller_only_knows_the_two_questions_that_read() -> None:
    (path,) = (path for path in OURS if name_of(path) == POLLER)
    taken = taken_from_pymodbus(tree_of(path))
    # The frames, what an answer is taken apart by, and the questions.
    assert taken == {
        *("FramerRTU", "DecodePDU", "ModbusPDU", "ExceptionResponse"),
        *("ReadHoldingRegistersRequest", "ReadInputRegistersRequest"),
        "ModbusException",
    }
    source = path.read_text(encoding="utf-8")
    assert source.count(".write(") == 1
