"""A whole logger over virtual buses and pseudo-terminals, as the demo runs it.

Nothing here is a stand-in of ours: python-can's virtual bus, the kernel's
pseudo-terminals, the invented van of the demo speaking on both.
"""

import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from logger.clock import Clock
from logger.daemon.running import run_logger
from logger.live import Snapshot, SnapshotFile
from logger.places import Files
from logger.van.reading import Van, read_van
from replay.van_model.boxes import start_state
from replay.van_model.files import copy_files
from replay.van_model.speaking import Speaker
from replay.van_model.stage import Stage, open_stage

SPEED = 8.0
"""The van and the logger live that much faster, so that a test takes seconds."""

LONGEST_S = 30.0
"""Real time that anything here may take on a busy machine."""


@dataclass
class Living:
    """A van and its logger under way."""

    van: Van
    files: Files
    clock: Clock
    stage: Stage
    speaker: Speaker
    stop: threading.Event = field(default_factory=threading.Event)
    errors: list[BaseException] = field(default_factory=list)
    thread: threading.Thread | None = None

    def start_logger(self) -> None:
        """Begin to log."""
        self.stop.clear()
        self.thread = threading.Thread(target=self._log)
        self.thread.start()

    def _log(self) -> None:
        try:
            run_logger(self.van, self.files, self.clock, self.stop)
        except BaseException as err:  # noqa: BLE001 (told to the test's own thread)
            self.errors.append(err)

    def end_logger(self) -> float:
        """End it as a signal does; return how long that took, s."""
        began_s = time.perf_counter()
        self.stop.set()
        assert self.thread is not None
        self.thread.join(LONGEST_S)
        assert not self.thread.is_alive()
        assert self.errors == []
        return time.perf_counter() - began_s

    def snapshot(self) -> Snapshot | None:
        """Return the newest snapshot."""
        return SnapshotFile(self.files.snapshot).read()

    def until(self, holds: Callable[[Snapshot], bool]) -> Snapshot:
        """Wait until something holds of the snapshot."""
        end_s = time.perf_counter() + LONGEST_S
        while time.perf_counter() < end_s:
            found = self.snapshot()
            if found is not None and holds(found):
                return found
            assert self.errors == []
            time.sleep(0.05)
        raise AssertionError(f"did not come about; last was {self.snapshot()}")


@contextmanager
def living(
    folder: Path, speed: float = SPEED, log: Path | None = None
) -> Iterator[Living]:
    """Let the invented van live in a folder, with a logger that listens.

    Args:
        folder: Where everything is written.
        speed: How many times faster than real time they live.
        log: Where the log is written instead.
    """
    with open_stage() as stage:
        clock = Clock(speed)
        van = read_van(copy_files(folder, stage.devices))
        files = Files(
            log or folder / "van.db", folder / "live.json", folder / "desk.db"
        )
        speaker = Speaker(start_state(), clock, stage.buses, stage.fds)
        each = Living(van, files, clock, stage, speaker)
        speaker.start()
        each.start_logger()
        try:
            yield each
        finally:
            each.stop.set()
            if each.thread is not None:
                each.thread.join(LONGEST_S)
            speaker.stop()
            speaker.join(LONGEST_S)


def lived_s(snapshot: Snapshot) -> float:
    """Return how long the run has lasted by its newest reading, s."""
    return snapshot.seq * 0.2 * snapshot.speed
