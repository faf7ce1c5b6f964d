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
from replay.listening.drafting import write_draft
from replay.listening.heard import Ear
from replay.listening.hearing import Hearing
from replay.listening.lines_heard import LineEar
from replay.listening.live import RateTrial, hear_live
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
        "ampledger listen van.toml --seconds 30",
        "ampledger listen --from drive.log.gz --with can0=drive.dbc --draft van.toml",
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
    type=click.Path(path_type=Path, exists=True, dir_okay=False),
    help="Listen to a recording instead of the buses and ports of the van",
)
@click.option(
    "--seconds",
    type=click.FloatRange(min=0.1, max=3600),
    default=10.0,
    show_default=True,
    help="Seconds to listen to the van",
)
@click.option(
    "--try-rates",
    is_flag=True,
    help="Try 125, 250, 500 and 1000 kbit/s first, listening only",
)
@click.option(
    "--with",
    "words",
    metavar="[BUS=]DESCRIPTION",
    multiple=True,
    help="Hold what is heard against a DBC or KCD file, or a bundled table such as "
    "rv-c; without a bus it goes where it knows most. May be repeated",
)
@click.option("--json", "is_json", is_flag=True, help="Print JSON instead of a table")
@click.option(
    "--csv",
    "csv_file",
    metavar="FILE",
    type=click.Path(dir_okay=False, allow_dash=True),
    help="Write a row for each signal seen, - for standard output",
)
@click.option(
    "--draft",
    metavar="FILE",
    type=FILE,
    help="Write the draft of a van file with what was recognised; none is replaced",
)
@wish_options
@click.pass_context
def listen(
    ctx: click.Context,
    van_file: Path | None,
    recording: Path | None,
    seconds: float,
    try_rates: bool,
    words: tuple[str, ...],
    is_json: bool,
    csv_file: str | None,
    draft: Path | None,
    wish: Wish,
) -> None:
    """Say what talks on each bus and port, what is known of it and what is not.

    For every identifier, or every group of 29-bit identifiers: how many frames, how
    often, which of its bytes move (*) and which never did (.), the message it is by a
    description, and three values to check by eye. Nothing is stored and nothing sent.
    """
    van = None if van_file is None else read_van(van_file)
    hearing = _hearing(van, words)
    if recording is not None:
        if try_rates:
            fix = "A recording has the rate it was made at."
            raise click.BadParameter(fix, param_hint="--try-rates")
        known = Known() if van is None else Known.of(van)
        hear_recording(hearing, recording, known, wish)
    elif van is not None:
        _hear_van(hearing, van, seconds, try_rates)
    else:
        raise click.UsageError("Give a VAN.toml to listen to, or --from RECORDING.")
    if draft is not None:
        write_draft(hearing, draft)
    _tell(hearing, Shape(is_json, csv_file))
    if hearing.needs_look or hearing.is_silent:
        ctx.exit(NEEDS_LOOK)


def _hear_van(hearing: Hearing, van: Van, seconds: float, try_rates: bool) -> None:
    settings = van.settings
    if try_rates:
        trial = RateTrial(seconds)
        settings = trial.tried(settings)
        hearing.remarks += trial.remarks
    hear_live(hearing, settings, seconds)


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
