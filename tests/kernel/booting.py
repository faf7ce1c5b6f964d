"""Starts a Linux kernel as a program (user-mode Linux) and runs the tests inside it.

Debian's package `user-mode-linux` has the kernel and its CAN modules. It shares the
files of this computer, read-only, and so has this checkout's Python and packages.
"""

import ast
import json
import shutil
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

from tests.kernel.reporting import MARK

ROOT = Path(__file__).parents[2]
HERE = Path(__file__).parent
KERNEL = "linux.uml"
LONGEST_S = 180.0
"""It takes under a minute on a quiet machine."""

MEMORY = "384M"


@dataclass(frozen=True, slots=True)
class Ended:
    """How a test ended inside."""

    outcome: str
    text: str
    duration_s: float


@dataclass(frozen=True, slots=True)
class Run:
    """What came out of the kernel.

    Attributes:
        ended: By the test's name.
        output: All that was printed, for those who look for a fault.
    """

    ended: dict[str, Ended]
    output: str


def why_not() -> str:
    """Return why there can be no such kernel here; empty where there can."""
    if not sys.platform.startswith("linux"):
        return "user-mode Linux needs Linux"
    missing = [name for name in (KERNEL, "ip", "insmod") if _path(name) is None]
    if not missing:
        return ""
    return f"there is no {missing[0]} (apt-get install user-mode-linux iproute2 kmod)"


def names() -> list[str]:
    """Return the names of the tests inside, without importing them."""
    return [
        node.name
        for path in sorted((HERE / "inside").glob("test_*.py"))
        for node in ast.parse(path.read_text(encoding="utf-8")).body
        if isinstance(node, ast.FunctionDef) and node.name.startswith("test_")
    ]


def boot() -> Run:
    """Start the kernel, run all tests inside, and return when it has ended."""
    with tempfile.TemporaryDirectory() as folder:
        words = [
            str(_path(KERNEL)),
            *(f"mem={MEMORY}", "umid=ampledger", f"uml_dir={folder}"),
            *("rootfstype=hostfs", "rootflags=/", "ro", "quiet", "loglevel=3"),
            *("con=null", "con0=null,fd:1"),
            f"init={HERE / 'guest.sh'}",
            *(f"checkout={ROOT}", f"python={sys.executable}"),
        ]
        done = subprocess.run(
            words,
            stdin=subprocess.DEVNULL,
            capture_output=True,
            timeout=LONGEST_S,
            check=False,
        )
    output = done.stdout.decode(errors="replace")
    return Run(_ended(output), output + done.stderr.decode(errors="replace"))


def _ended(output: str) -> dict[str, Ended]:
    """Return how each test ended; what failed stays failed."""
    found: dict[str, Ended] = {}
    for line in output.splitlines():
        if not line.startswith(MARK):
            continue
        told = json.loads(line.removeprefix(MARK))
        if found.get(told["name"], _PASSED).outcome == _PASSED.outcome:
            found[told["name"]] = Ended(
                told["outcome"], told["text"], told["duration_s"]
            )
    return found


_PASSED = Ended("passed", "", 0.0)


def _path(name: str) -> str | None:
    """Return where a program lies, also one of the system's."""
    return shutil.which(name) or shutil.which(name, path="/usr/sbin:/sbin")
