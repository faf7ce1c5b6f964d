"""A process that writes a log until it is killed: `python -m tests.faults.writing`.

Tells on its standard output, line by line, what the writer has acknowledged.
"""

import sys
from pathlib import Path
from random import Random

from logger.daemon.book import end_cut_off_runs
from logger.store.writer import RunEnd, Writer
from tests.faults.life import Hurried, some_limits, start_of
from tests.faults.recording import made_up


def tell(*words: object) -> None:
    """Say something to whoever reads along, at once."""
    sys.stdout.write(" ".join(map(str, words)) + "\n")
    sys.stdout.flush()


def write_for_good(path: Path, seed: int) -> None:
    """Write one run after another, as fast as it goes."""
    rng = Random(seed)
    with Writer(path, clock=Hurried(), limits=some_limits(rng)) as writer:
        end_cut_off_runs(writer)
        while True:
            write_run(writer, rng)


def write_run(writer: Writer, rng: Random) -> None:
    """Write one run; say what is stored of it."""
    made = rng.randrange(4), rng.randint(1, 150)
    recording = made_up(*made)
    start = start_of(seed_of(made))
    run = writer.begin_run(start)
    tell("begun", run, *made, start.start_us)
    for count, batch in enumerate(recording.batches[:-1], start=1):
        writer.store(run, batch)
        tell("stored", count)
        for _ in range(rng.choice((0, 0, 1, 10))):
            writer.tidy()
    writer.end_run(run, RunEnd(recording.end_us), recording.batches[-1])
    tell("ended", len(recording.batches))


def seed_of(made: tuple[int, int]) -> int:
    """Return a number for a recording, so that dates differ."""
    return made[0] * 1000 + made[1]


if __name__ == "__main__":
    write_for_good(Path(sys.argv[1]), int(sys.argv[2]))
