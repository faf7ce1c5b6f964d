"""The command `listen`."""

import json
import shutil
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import TextIO, cast

import click

from logger.commands.group import NEEDS_LOOK, examples
from logger.van.reading import Van, read_van
from replay.formats.opening import Known
from replay.formats.stamping import Wish
from replay.listening.as_json import as_json
from replay.listening.described import given, of_van
from replay.listening.heard import Ear
from replay.listening.hearing import Hearing
from replay.listening.lines_heard import LineEar
from replay.listening.recorded import hear_recording
from replay.listening.signal_rows import write_signals
from replay.listening.telling import Text
from replay.wishing import wish_options

FILE = click.Path(path_type=Path, dir_okay=False)


@dataclass(frozen=True, slots=True)
class Shape:
    """In which shape a listening is told: text unless one of these was asked for."""

    as_json: bool
    csv: str | None


@click.command(
    epilog=examples(
        "ampledger listen --from drive.log.gz --with can0=drive.dbc",
        "ampledger listen --from drive.asc --with drive.dbc --csv signals.csv",
    )
)
@click.argument(
    "van_file",
    metavar="[VAN.toml]",
    required=False,
    type=click.Path(path_type=Path),
)
@click.option(
    "--from",
    "recording",
    metavar="RECORDING",
    required=True,
    type=click.Path(path_type=Path, exists=True, dir_okay=False),
    help="Listen to a recording instead of the buses and ports of the van",
)
@click.option(
    "--with",
    "words",
    metavar="[BUS=]DESCRIPTION",
    multiple=True,
    help="Hold what is heard against a DBC or KCD file; without a bus it goes where it "
    "knows most. May be repeated",
)
@click.option("--json", "is_json", is_flag=True, help="Print JSON instead of a table")
@click.option(
    "--csv",
    "csv_file",
    metavar="FILE",
    type=click.Path(dir_okay=False, allow_dash=True),
    help="Write a row for each signal seen, - for standard output",
)
@wish_options
@click.pass_context
def listen(
    ctx: click.Context,
    van_file: Path | None,
    recording: Path,
    words: tuple[str, ...],
    is_json: bool,
    csv_file: str | None,
    wish: Wish,
) -> None:
    """Say what talks on each bus and port, what is known of it and what is not.

    For every identifier, or every group of 29-bit identifiers: how many frames, how
    often, which of its bytes move (*) and which never did (.), the message it is by a
    description, and three values to check by eye. Nothing is stored and nothing sent.
    """
    van = None if van_file is None else read_van(van_file)
    hearing = _hearing(van, words)
    known = Known() if van is None else Known.of(van)
    hear_recording(hearing, recording, known, wish)
    _tell(hearing, Shape(is_json, csv_file))
    if hearing.needs_look or hearing.is_silent:
        ctx.exit(NEEDS_LOOK)


def _hearing(van: Van | None, words: tuple[str, ...]) -> Hearing:
    if van is None:
        return Hearing(Ear(given(words)), LineEar())
    described = [*of_van(van), *given(words)]
    long_groups = dict(van.spec.long_groups)
    return Hearing(Ear(described, long_groups), LineEar(van.spec.lines))


def _tell(hearing: Hearing, shape: Shape) -> None:
    if shape.csv is not None:
        with click.open_file(shape.csv, "w", encoding="utf-8") as file:
            write_signals(hearing.ear, cast(TextIO, file))
        for remark in hearing.remarks:
            click.echo(f"! {remark}", err=True)
    if shape.as_json:
        click.echo(json.dumps(as_json(hearing), indent=2))
    elif shape.csv is None:
        columns = shutil.get_terminal_size().columns if sys.stdout.isatty() else 80
        click.echo(str(Text(hearing, columns)))
