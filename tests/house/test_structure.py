"""The house keeps its shape: what lies where, what a module says, who asks the time."""

import ast
import importlib.util
import subprocess
import sys
import zipfile
from pathlib import Path, PurePosixPath

import pytest

from tests.house.pages import DATA, ROOT, commands, digest, own_files

TOP_LEVEL = {
    *("README.md", "DEVELOPERS.md", "pyproject.toml", "LICENSE", ".gitignore", ".ci"),
    *("logger", "dashboard", "replay", "tests"),
}
PACKAGES = ("logger", "dashboard", "replay")
LONGEST_LINES = 400
CLOCKS = {
    "time": {
        "time",
        "time_ns",
        "monotonic",
        "monotonic_ns",
        "perf_counter",
        "clock_gettime_ns",
        "clock_gettime",
    },
    "datetime": {"now", "utcnow", "today"},
    "date": {"today"},
}
"""What asks the time, by the name before the dot."""


def listed() -> list[str]:
    """Return every file that belongs to the project, as git knows them."""
    done = subprocess.run(
        ["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=True,
    )
    names = (name for name in done.stdout.split("\0") if name)
    return sorted({name for name in names if (ROOT / name).is_file()})


MODULES = [
    path
    for package in (*PACKAGES, "tests")
    for path in sorted((ROOT / package).rglob("*.py"))
]
OURS = [path for path in MODULES if path.relative_to(ROOT).parts[0] != "tests"]


def name_of(path: Path) -> str:
    """Return a module's place in the project."""
    return path.relative_to(ROOT).as_posix()


def tree_of(path: Path) -> ast.Module:
    """Return a module as Python reads it."""
    return ast.parse(path.read_text(encoding="utf-8"))


def test_the_top_level_holds_what_it_should() -> None:
    assert {PurePosixPath(name).parts[0] for name in listed()} == TOP_LEVEL


@pytest.mark.parametrize("path", MODULES, ids=name_of)
def test_a_module_says_what_it_is(path: Path) -> None:
    assert ast.get_docstring(tree_of(path))


@pytest.mark.parametrize(
    "path", [each for each in MODULES if each.name == "__init__.py"], ids=name_of
)
def test_a_package_s_own_file_holds_only_a_docstring(path: Path) -> None:
    assert len(tree_of(path).body) == 1


@pytest.mark.parametrize("path", OURS, ids=name_of)
def test_a_long_module_says_why_it_is_long(path: Path) -> None:
    count = len(path.read_text(encoding="utf-8").splitlines())
    docstring = ast.get_docstring(tree_of(path)) or ""
    assert count <= LONGEST_LINES or f"Over {LONGEST_LINES} lines because" in docstring


def clocks_asked(tree: ast.Module) -> list[str]:
    """Return what a module asks the time with, as it is written there."""
    found = []
    for node in ast.walk(tree):
        if isinstance(node, ast.Attribute):
            before = node.value
            name = getattr(before, "id", getattr(before, "attr", ""))
            if node.attr in CLOCKS.get(name, ()):
                found.append(f"{name}.{node.attr}")
        elif isinstance(node, ast.ImportFrom) and node.module == "time":
            asked = {alias.name for alias in node.names} & CLOCKS["time"]
            found += [f"time.{name}" for name in sorted(asked)]
    return found


@pytest.mark.parametrize("path", OURS, ids=name_of)
def test_only_the_clock_asks_the_time(path: Path) -> None:
    asked = set(clocks_asked(tree_of(path)))
    is_clock = name_of(path) == "logger/clock.py"
    assert asked == ({"time.time_ns", "time.clock_gettime_ns"} if is_clock else set())


@pytest.mark.parametrize(
    "source",
    ["import time\ntime.time()", "from time import monotonic",
     "import datetime\ndatetime.datetime.now()", "datetime.utcnow()", "date.today()"],
)  # fmt: skip
def test_asking_the_time_is_noticed(source: str) -> None:
    assert len(clocks_asked(ast.parse(source))) == 1


@pytest.mark.parametrize("name", commands())
def test_a_command_s_help_ends_with_two_examples(name: str) -> None:
    lines = (commands()[name].epilog or "").splitlines()
    assert lines[:2] == ["\b", "Examples:"]
    assert len(lines) == 4
    assert all(line.startswith("  ampledger ") for line in lines[2:])
    assert [line.split()[1] for line in lines[2:]] == [name, name]


@pytest.mark.parametrize("name", commands())
def test_an_option_s_help_is_a_line_without_a_full_stop(name: str) -> None:
    command = commands()[name]
    for param in command.params:
        text = getattr(param, "help", None)
        if param.param_type_name == "option":
            assert text
            assert text[0].isupper()
            assert not text.endswith(".")


def data_rows() -> dict[str, list[str]]:
    """Return the cells of each row of the data list by file."""
    text = (DATA / "README.md").read_text(encoding="utf-8")
    rows = [
        [cell.strip() for cell in line.strip("|").split("|")]
        for line in text.splitlines()
        if line.startswith("| ") and not line.startswith("| file")
    ]
    return {row[0]: row[1:] for row in rows}


def data_files() -> set[str]:
    """Return the test data that there are, but for the list and the licences."""
    names = (PurePosixPath(name) for name in listed())
    data = [name for name in names if name.parts[:2] == ("tests", "data")]
    return {
        "/".join(name.parts[2:])
        for name in data
        if name.parts[2] not in ("README.md", "licences")
    }


def test_every_data_file_is_listed_with_its_digest() -> None:
    rows = data_rows()
    assert set(rows) == data_files()
    wrong = [
        name for name, row in rows.items() if row[-1] != f"`{digest(DATA / name)}`"
    ]
    assert wrong == []


def test_every_data_file_of_others_has_origin_and_licence() -> None:
    own = {path.relative_to(DATA).as_posix() for path in own_files()}
    text = (DATA / "README.md").read_text(encoding="utf-8")
    named = set()
    for name in data_files() - own:
        origin, licence, _ = data_rows()[name]
        assert f"\n{origin.strip('[]')}. " in text
        assert licence
        named |= {word.strip("(),") for word in licence.split() if ".txt" in word}
    assert named == {path.name for path in (DATA / "licences").iterdir()}


def test_the_built_wheel_holds_every_file_of_the_packages(tmp_path: Path) -> None:
    words = ["wheel", ".", "--no-deps", "--quiet", "--disable-pip-version-check"]
    if importlib.util.find_spec("hatchling"):
        words.append("--no-build-isolation")
    subprocess.run(
        [sys.executable, "-m", "pip", *words, "-w", tmp_path], cwd=ROOT, check=True
    )
    (wheel,) = tmp_path.glob("ampledger-*.whl")
    with zipfile.ZipFile(wheel) as archive:
        held = set(archive.namelist())
    ours = {name for name in listed() if PurePosixPath(name).parts[0] in PACKAGES}
    assert "dashboard/manual/cautions.md" in ours
    assert ours - held == set()


def test_the_logger_runs_without_the_heavy_libraries() -> None:
    heavy = {"numpy", "pandas", "plotly", "fastapi", "sqlite_utils", "pvlib"}
    code = f"import logger.commands.running, sys; print({heavy} & set(sys.modules))"
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True
    )
    assert done.stdout == "set()\n"
