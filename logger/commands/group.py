"""The group of all commands, and how an error becomes one message.

Commands parse, call and print. Each package brings its own commands through the entry
point group `ampledger.commands`, so that nothing here imports upward.
"""

import io
import sqlite3
import sys
from importlib.metadata import EntryPoint, entry_points, version
from typing import cast

import click

from logger.errors import AmpledgerError, ConfigError, StoreError
from logger.store.connect import quoted
from logger.store.packed import DamagedRowError

FAILED, WRONG_CALL, NEEDS_LOOK = 1, 2, 3
"""Exit codes besides 0: failed; called wrongly or a broken van file; done but look."""

CAUTION = (
    "High voltage can kill. Work on it belongs to people qualified and, where the law "
    "asks, licensed for it; local rules come first. Nothing this program shows proves "
    "a circuit safe, and it controls nothing. The driver does not operate the phone."
)


SHORT_CAUTION = (
    "Estimates, not promises. High voltage can kill: nothing shown here proves a "
    "circuit safe."
)


def examples(*lines: str) -> str:
    """Return the end of a command's help: lines that can be pasted."""
    return "\n".join(("\b", "Examples:", *(f"  {line}" for line in lines)))


class Commands(click.Group):
    """The sub-commands that the installed packages bring."""

    def _points(self) -> dict[str, EntryPoint]:
        return {each.name: each for each in entry_points(group="ampledger.commands")}

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Return the names of all sub-commands."""
        del ctx
        return sorted(self._points())

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Return one sub-command, loaded now."""
        del ctx
        point = self._points().get(cmd_name)
        return None if point is None else cast(click.Command, point.load())


@click.group(
    cls=Commands,
    epilog=CAUTION,
    context_settings={"help_option_names": ["-h", "--help"]},
)
@click.version_option(version("ampledger"), message="ampledger %(version)s")
def group() -> None:
    """Keep the book of a van converted to battery-electric drive and solar."""


def main() -> None:
    """Run the command line; every error that a person must act on is one message."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            # A terminal that cannot show a name still gets the rest.
            stream.reconfigure(errors="backslashreplace")
    try:
        group.main(standalone_mode=True)
    except ConfigError as err:
        _end(err, WRONG_CALL)
    except AmpledgerError as err:
        _end(err, FAILED)
    except (sqlite3.DatabaseError, DamagedRowError) as err:
        # A page or row of a log that cannot be read: its place is known to SQLite only.
        fix = "The log is damaged; keep it, and work on a copy."
        _end(StoreError(where="the log", saw=quoted(err), fix=fix), FAILED)


def _end(err: AmpledgerError, code: int) -> None:
    click.echo(str(err), err=True)
    count = len(err.faults)
    if count > 1:
        click.echo(f"{count} faults.", err=True)
    sys.exit(code)
