"""Runs the command as a person would, and reads what it leaves behind."""

import csv
import io
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

DATA = Path(__file__).parent / "data"
COMMAND = Path(sys.executable).with_name("ampledger")
LONGEST_S = 120.0


@dataclass(frozen=True, slots=True)
class Ran:
    """What a command said and how it ended."""

    code: int
    out: str
    err: str


def ampledger(*words: str | Path) -> Ran:
    """Run `ampledger` with some words; nothing may end in a traceback."""
    done = subprocess.run(
        [COMMAND, *map(str, words)],
        capture_output=True,
        text=True,
        timeout=LONGEST_S,
        check=False,
    )
    assert "Traceback" not in done.stderr, done.stderr
    return Ran(done.returncode, done.stdout, done.stderr)


def exported(log: Path, *words: str) -> list[dict[str, str]]:
    """Return what `ampledger export` writes, a row a dictionary."""
    ran = ampledger("export", log, *words)
    assert ran.code == 0, ran.err
    return list(csv.DictReader(io.StringIO(ran.out)))
