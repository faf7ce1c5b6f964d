"""The command `run`: keeps logger and dashboard going, and imports neither."""

import signal
import subprocess
import sys
import threading
from collections.abc import Sequence
from pathlib import Path
from types import FrameType

import click

from logger.commands.files import Chosen, file_options
from logger.commands.group import FAILED, examples

END_S = 5.0
"""Real time after which a process that was told to end is killed."""

RESTART_S = (0.5, 1.0, 2.0)
"""Waits before a process that ended by itself is started again, the last one for
ever: a logger is back within seconds whatever ended it."""


def stop_on_signals() -> threading.Event:
    """Return an event that is set when somebody asks the program to end."""
    stop = threading.Event()

    def ask(number: int, frame: FrameType | None) -> None:
        del number, frame
        stop.set()

    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        signal.signal(number, ask)
    return stop


@click.command(
    epilog=examples(
        "ampledger run van.toml", "ampledger run --host 192.168.7.1 /etc/van.toml"
    )
)
@click.argument("van_file", metavar="VAN.toml", type=click.Path(path_type=Path))
@file_options
@click.option(
    "--host", default="127.0.0.1", help="Address to serve on, default loopback"
)
@click.option("--port", default=8440, help="Port to serve on, default 8440")
@click.option(
    "--name",
    "names",
    multiple=True,
    metavar="NAME",
    help="Another name by which browsers may call it; may be repeated",
)
@click.pass_context
def run(
    ctx: click.Context,
    van_file: Path,
    chosen: Chosen,
    host: str,
    port: int,
    names: tuple[str, ...],
) -> None:
    """Run logger and dashboard together and keep both going.

    Each is a process of its own: when one ends by itself it is started again, and the
    other one does not notice.
    """
    # A broken file is told here, once, and not by every restart; by a process of its
    # own, so that this one stays small.
    check = Child(["check", str(van_file)])
    check.start()
    if code := check.wait():
        ctx.exit(code)
    files = chosen.files()
    stop = stop_on_signals()
    shared = ["--log", str(files.log), "--live", str(files.snapshot)]
    shared += ["--desk", str(files.desk)]
    at = ["--host", host, "--port", str(port)]
    at += [word for name in names for word in ("--name", name)]
    children = [
        Child(["log", *shared, str(van_file)]),
        Child(["serve", *shared, *at]),
    ]
    for child in children:
        child.start()
    while not stop.wait(0.2):
        for child in children:
            child.keep_going()
    codes = [child.end() for child in children]
    if any(codes):
        ctx.exit(FAILED)


class Child:
    """One process of this program that is kept going.

    Args:
        words: Sub-command and its options.
    """

    def __init__(self, words: Sequence[str]) -> None:
        self._words = [*words]
        self._process: subprocess.Popen[bytes] | None = None
        self._ends = 0
        self._wait = threading.Event()

    def start(self) -> None:
        """Start the process."""
        start = "from logger.commands.group import main; main()"
        self._process = subprocess.Popen(
            [sys.executable, "-P", "-c", start, *self._words]
        )

    @property
    def is_running(self) -> bool:
        """True while the process runs."""
        return self._process is not None and self._process.poll() is None

    def keep_going(self) -> None:
        """Start the process again if it has ended by itself."""
        if self._process is None or self._process.poll() is None:
            return
        click.echo(f"{self._words[0]} ended with {self._process.returncode}", err=True)
        self._wait.wait(RESTART_S[min(self._ends, len(RESTART_S) - 1)])
        self._ends += 1
        self.start()

    def wait(self) -> int:
        """Wait until the process ends; return its exit code."""
        return 0 if self._process is None else self._process.wait()

    def end(self) -> int:
        """End the process; return its exit code."""
        if self._process is None:
            return 0
        self._process.terminate()
        try:
            return self._process.wait(END_S)
        except subprocess.TimeoutExpired:
            self._process.kill()
            return self._process.wait()
