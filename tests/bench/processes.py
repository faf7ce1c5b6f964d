"""What the kernel says of a process: its processor time and its memory (Linux)."""

import os
from dataclasses import dataclass
from pathlib import Path

TICKS_PER_S = os.sysconf("SC_CLK_TCK")


@dataclass(frozen=True, slots=True)
class Used:
    """What one process has used so far."""

    cpu_s: float
    pss_mb: float


def used(pid: int) -> Used:
    """Return what a process and the libraries it shares come to.

    Args:
        pid: The process; it must still run.
    """
    stat = Path(f"/proc/{pid}/stat").read_text()
    # Behind the name in brackets: state is field 3, user and system time 14 and 15.
    fields = stat.rpartition(")")[2].split()
    cpu_s = (int(fields[11]) + int(fields[12])) / TICKS_PER_S
    rollup = Path(f"/proc/{pid}/smaps_rollup").read_text().splitlines()
    pss_kb = next(int(line.split()[1]) for line in rollup if line.startswith("Pss:"))
    return Used(cpu_s, pss_kb / 1024)


def children_of(pid: int) -> dict[str, int]:
    """Return the children of the supervisor: their sub-command and number."""
    found: dict[str, int] = {}
    listed = Path(f"/proc/{pid}/task/{pid}/children").read_text()
    for child in (int(number) for number in listed.split()):
        words = Path(f"/proc/{child}/cmdline").read_bytes().split(b"\0")
        found |= {name: child for name in ("log", "serve") if name.encode() in words}
    return found
