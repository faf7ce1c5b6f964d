"""The command line's own part: the group, and what needs no recording or page.

Commands parse, call and print. Each package brings its own commands through the entry
point group `ampledger.commands`, so that nothing here imports upward.
"""

import csv
import io
import sqlite3
import sys
from importlib.metadata import EntryPoint, entry_points, version
from pathlib import Path
from typing import TextIO, cast

import click

from logger.core.derived import derive
from logger.core.soc import PackSpec
from logger.errors import AmpledgerError, ConfigError, StoreError
from logger.store.connect import quoted
from logger.store.export import Sheet, What, sheet
from logger.store.packed import DamagedRowError
from logger.store.reader import Log
from logger.van.reading import Van, read_van
from logger.van.settings import PackSection

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


@click.command(
    epilog=examples(
        "ampledger check van.toml", "ampledger check /etc/ampledger/van.toml"
    )
)
@click.argument("van_file", metavar="VAN.toml", type=click.Path(path_type=Path))
def check(van_file: Path) -> None:
    """Say whether a van file is sound, and what it comes to.

    All faults are listed together; exit code 2 means there are some.
    """
    van = read_van(van_file)
    click.echo(f"{van_file.name} is sound.")
    for name, text in _summary(van):
        click.echo(f"  {name:<18}  {text}")
    click.echo(SHORT_CAUTION)


def _summary(van: Van) -> list[tuple[str, str]]:
    settings, spec = van.settings, van.spec
    fed = {feed.channel.name for feed in spec.feeds()}
    worked_out = derive(fed, spec.metres_per_motor_turn)
    rows = [("van", f"{settings.van.name}; a day ends in {settings.van.time_zone}")]
    if settings.pack is None:
        rows.append(("pack", "none; nothing is counted"))
    else:
        rows += _pack_summary(settings.pack)
    rows += [
        (f"bus {bus.name}", f"{bus.interface}, {bus.mode}") for bus in settings.buses
    ]
    rows += [
        (f"port {port.name}", f"{port.device}, {port.baud_rate} baud")
        for port in settings.ports
    ]
    rows += [
        (f"table {name}", "columns " + ", ".join(table.columns))
        for name, table in van.tables.items()
    ]
    rows += [
        ("description", f"{file.name}, SHA-256 {file.sha256[:12]}")
        for file in van.descriptions
    ]
    rows.append(("channels", f"{len(fed)} fed, {len(worked_out)} worked out"))
    return rows


def _pack_summary(pack: PackSection) -> list[tuple[str, str]]:
    capacity_ah = PackSpec.of(pack.nameplate_ah, pack.capacity_is_measured).capacity_ah
    why = "as measured" if pack.capacity_is_measured else "95 % of the nameplate"
    rows = [
        (
            "pack",
            f"{pack.series_groups} groups in series, {capacity_ah:.2f} Ah ({why})",
        )
    ]
    curve = pack.curve()
    if curve is not None:
        empty_v, full_v = (
            pack.series_groups * pair[1] for pair in (curve[0], curve[-1])
        )
        rows.append(("open circuit", f"{empty_v:.1f} V empty, {full_v:.1f} V full"))
    return rows


@click.command(
    epilog=examples(
        "ampledger export van.db trips",
        "ampledger export van.db signals --channel pack.current_a --output amps.csv",
    )
)
@click.argument("log_file", metavar="DB", type=click.Path(path_type=Path))
@click.argument("what", type=click.Choice([what.value for what in What]))
@click.option(
    "--channel",
    "channels",
    multiple=True,
    metavar="NAME",
    help="Only this channel of the signals; may be repeated, default all",
)
@click.option(
    "--output",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE",
    help="Where to write, default standard output",
)
def export(
    log_file: Path, what: str, channels: tuple[str, ...], output: Path | None
) -> None:
    """Write trips, the state of charge or the signals of a log as CSV.

    Times are ISO 8601 in UTC; an empty cell means not known. Pack current and charge
    are positive into the pack.
    """
    if channels and what != What.SIGNALS.value:
        raise click.BadParameter("goes with signals only.", param_hint="--channel")
    with Log(log_file) as log:
        unknown = sorted(set(channels) - set(log.channels.values()))
        if unknown:
            raise click.BadParameter(
                f"{unknown[0]} is not in this log.", param_hint="--channel"
            )
        made = sheet(log, What(what), channels)
        if output is None:
            if isinstance(sys.stdout, io.TextIOWrapper):
                sys.stdout.reconfigure(encoding="utf-8")
            _write_out(made)
        else:
            _write_file(made, log_file, output)


def _write_out(made: Sheet) -> None:
    try:
        write_csv(made, sys.stdout)
    except BrokenPipeError:
        raise  # the reader has gone: click ends quietly
    except OSError as err:
        raise StoreError(
            where="standard output",
            saw=(err.strerror or str(err)).lower(),
            fix="See that what reads it has room.",
        ) from err


def _write_file(made: Sheet, log_file: Path, output: Path) -> None:
    """Write a sheet beside its place and move it there once it is whole.

    Raises:
        StoreError: It cannot be written, or would take the place of the log.
    """
    if output.exists() and output.samefile(log_file):
        fix = "Give another file; this one would be lost."
        raise StoreError(where=str(output), saw="the log itself", fix=fix)
    beside = output.with_name(output.name + ".part")
    target = beside if output.is_file() or not output.exists() else output
    try:
        with target.open("w", encoding="utf-8", newline="") as file:
            write_csv(made, file)
        if target is beside:
            target.replace(output)
    except OSError as err:
        raise StoreError(
            where=str(output),
            saw=(err.strerror or str(err)).lower(),
            fix="Give a file in a folder that you may write and that has room.",
        ) from err


def write_csv(made: Sheet, file: TextIO) -> None:
    """Write a sheet with its header as CSV.

    Raises:
        OSError: The file takes no more.
    """
    writer = csv.writer(file, lineterminator="\n")
    writer.writerow(made.header)
    writer.writerows(made.rows)
    file.flush()
