"""The command `demo`: an invented van, through the very same sources as a real one.

The van speaks CAN on virtual buses and text lines on pseudo-terminals; from there on
everything is the real thing: sources, pipeline, log, snapshot, dashboard.
"""

import logging
import tempfile
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import click

from logger.clock import Clock
from logger.commands.group import SHORT_CAUTION, examples
from logger.commands.supervising import Child, stop_on_signals
from logger.core.tick import US_PER_S
from logger.daemon.running import run_logger
from logger.errors import SourceError
from logger.places import Files
from logger.van.reading import read_van
from replay.prefill import prefill
from replay.van_model.boxes import start_state
from replay.van_model.day import ROUND_S
from replay.van_model.files import VAN_FILE, copy_files
from replay.van_model.speaking import Speaker
from replay.van_model.stage import Stage, open_stage

PAST_S = float(ROUND_S)
"""How much of the van's past is in the log before the demo goes live: one round of its
day, so that it is about to drive off."""


@dataclass(frozen=True, slots=True)
class Served:
    """How the pages are served."""

    host: str
    port: int
    has_drive_lock: bool

    def words(self, files: Files) -> list[str]:
        """Return the sub-command that serves them, and its options."""
        lock = "--drive-lock" if self.has_drive_lock else "--no-drive-lock"
        return [
            "serve", "--demo", "--open-here", lock,
            "--host", self.host, "--port", str(self.port),
            "--log", str(files.log), "--live", str(files.snapshot),
            "--desk", str(files.desk),
        ]  # fmt: skip


@click.command(
    epilog=examples("ampledger demo", "ampledger demo --speed 1 --port 8441")
)
@click.option(
    "--speed",
    type=click.FloatRange(0.5, 60),
    default=10.0,
    help="How many times faster than real time the van lives, default 10",
)
@click.option(
    "--host", default="127.0.0.1", help="Address to serve on, default 127.0.0.1"
)
@click.option("--port", default=8440, help="Port to serve on, default 8440")
@click.option(
    "--drive-lock/--no-drive-lock",
    default=False,
    help="Show only Drive while the van moves, as in a real one, default no",
)
@click.option(
    "--into",
    "folder",
    metavar="FOLDER",
    type=click.Path(path_type=Path, file_okay=False),
    help="Keep van file, log and desk in this folder, default a temporary one",
)
def demo(
    speed: float, host: str, port: int, drive_lock: bool, folder: Path | None
) -> None:
    """Show everything with an invented van: no hardware, no settings.

    The van drives, charges and stands in the sun for ever, faster than in real life;
    its log begins with the hour and a quarter before. Everything about it is invented.
    Ends with Ctrl-C.
    """
    logging.basicConfig(level=logging.WARNING, format="%(levelname)s %(message)s")
    stop = stop_on_signals()
    with kept_or_temporary(folder) as home, open_stage() as stage:
        show(home, stage, Clock(speed), Served(host, port, drive_lock), stop)


@contextmanager
def kept_or_temporary(folder: Path | None) -> Iterator[Path]:
    """Return a folder to work in; one that nobody named is taken away in the end."""
    if folder is not None:
        try:
            folder.mkdir(parents=True, exist_ok=True)
            (folder / VAN_FILE).touch()
        except OSError as err:
            raise click.BadParameter(
                f"nothing can be kept in {folder}: {err.strerror}. Name a folder that"
                " may be written to.",
                param_hint="--into",
            ) from err
        yield folder
        return
    with tempfile.TemporaryDirectory(prefix="ampledger-demo-") as name:
        yield Path(name)


def show(
    home: Path, stage: Stage, clock: Clock, served: Served, stop: threading.Event
) -> None:
    """Fill the log with the past, then let the van live until `stop` is set."""
    files = Files(home / "van.db", home / "live.json", home / "desk.db")
    van = read_van(copy_files(home, stage.devices))
    click.echo(
        f"{van.settings.van.name} is an invented van; it lives {clock.speed:g} times "
        "faster than real time. Ctrl-C ends it."
    )
    click.echo(SHORT_CAUTION)
    pages = Child(served.words(files))
    pages.start()
    began_us = clock.wall_us() - round(PAST_S * US_PER_S)
    state = start_state()
    if not files.log.exists():
        state = prefill(van, files.log, clock, state, began_us, PAST_S)
    speaker = Speaker(state, clock, stage.buses, stage.fds)
    speaker.start()
    watcher = threading.Thread(target=_end_with, args=(pages, stop), daemon=True)
    watcher.start()
    try:
        run_logger(van, files, clock, stop)
    finally:
        is_own_end = pages.is_running
        stop.set()
        speaker.stop()
        speaker.join(2.0)
        watcher.join(2.0)
        pages.end()
    if not is_own_end:
        raise SourceError(
            where=f"http://{served.host}:{served.port}/",
            saw="no server that stays up",
            fix="See what it said above; give another --port if this one is taken.",
        )


def _end_with(pages: Child, stop: threading.Event) -> None:
    """A demo without pages shows nothing: end when they do."""
    while not stop.wait(0.3):
        if not pages.is_running:
            stop.set()
