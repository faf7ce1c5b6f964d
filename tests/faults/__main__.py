"""Runs one kind of fault as often as wanted: `python -m tests.faults cuts 5000`.

Ends with 1 where something was damaged or lost that had been promised.
"""

import logging
import sys
import time
from collections.abc import Callable, Iterator

from tests.faults import cutting, failing, killing

SEED = 4


def cuts(count: int) -> Iterator[str]:
    """Cut power; yield the figures, and fail where a promise was broken."""
    tally = cutting.play(count, SEED)
    yield from tally.lines()
    if tally.damaged or tally.lost:
        raise SystemExit(1)


def lies(count: int) -> Iterator[str]:
    """Cut power on a card that leaves out half of the flushes: nothing is promised."""
    yield "a card that acknowledges every flush and does half of them"
    yield from cutting.play(count, SEED, lies=0.5).lines(examples=0)


def unflushed(count: int) -> Iterator[str]:
    """Cut power with less careful settings, to see that the check can fail."""
    for synchronous in ("NORMAL", "OFF"):
        yield f"synchronous = {synchronous}"
        yield from cutting.play(count, SEED, synchronous).lines(examples=0)


def failures(step: int) -> Iterator[str]:
    """Let every so many-th file operation fail; 1 takes every one."""
    found = failing.exhaust(step)
    yield from found.lines()
    if found.wrong:
        raise SystemExit(1)


def kills(count: int) -> Iterator[str]:
    """Kill a writing process; yield the figures, and fail on a broken promise."""
    tally = killing.play(count, SEED)
    yield from tally.lines()
    if tally.damaged or tally.lost:
        raise SystemExit(1)


FAULTS: dict[str, Callable[[int], Iterator[str]]] = {
    "cuts": cuts,
    "failures": failures,
    "kills": kills,
    "lies": lies,
    "unflushed": unflushed,
}


def main() -> int:
    """Run the fault that was named, that often."""
    words = sys.argv[1:]
    if len(words) != 2 or words[0] not in FAULTS or not words[1].isdigit():
        sys.stderr.write(f"Name one of {', '.join(FAULTS)}, and how often.\n")
        return 2
    # What the writer warns of is what is being tried here.
    logging.disable(logging.CRITICAL)
    began_s = time.perf_counter()
    try:
        for line in FAULTS[words[0]](int(words[1])):
            sys.stdout.write(line + "\n")
    finally:
        sys.stdout.write(f"in {time.perf_counter() - began_s:.0f} s\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
