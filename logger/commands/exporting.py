"""The command `export`: parts of a log as CSV."""

import csv
import io
import sys
from pathlib import Path
from typing import TextIO

import click

from logger.commands.group import examples
from logger.errors import StoreError
from logger.store.export import Sheet, What, sheet
from logger.store.reader import Log


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
