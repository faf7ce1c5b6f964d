"""The command `replay`."""

import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import click

from logger.commands import CAUTION, NEEDS_LOOK, examples
from logger.core.tick import US_PER_S
from logger.store.reader import Log
from logger.store.writer import Writer
from logger.van.reading import Van, read_van
from replay.formats.opening import open_recording
from replay.formats.reading import Progress
from replay.player import Cue, carried_count, cue, play
from replay.statement import needs_look, statement


@click.command(
    epilog=examples(
        "ampledger replay --van van.toml --into van.db candump.log.gz",
        "ampledger replay --van van.toml --into van.db "
        "--start '2024-06-28 10:02:15' drive.csv",
    )
)
@click.argument(
    "files",
    metavar="FILE...",
    nargs=-1,
    required=True,
    type=click.Path(path_type=Path, exists=True, dir_okay=False),
)
@click.option(
    "--van",
    "van_file",
    metavar="VAN.toml",
    required=True,
    type=click.Path(path_type=Path),
    help="The van file that says what the recordings mean",
)
@click.option(
    "--into",
    "log_file",
    metavar="DB",
    required=True,
    type=click.Path(path_type=Path, dir_okay=False),
    help="The log to write to; made where there is none",
)
@click.option(
    "--start",
    "starts",
    metavar="STAMP",
    multiple=True,
    help="Date of a file without dates, ISO 8601, default zone that of the van; "
    "give one for each such file, in the order of the files",
)
@click.option(
    "--keep-raw/--no-keep-raw",
    default=True,
    help="Store frames and lines too, as the flight recorder does, default yes",
)
@click.pass_context
def replay(
    ctx: click.Context,
    files: tuple[Path, ...],
    van_file: Path,
    log_file: Path,
    starts: tuple[str, ...],
    keep_raw: bool,
) -> None:
    """Play recordings through the pipeline into a log and print what they come to.

    A recording is a candump log or a CSV table that the van file describes, plain or
    gzip; each becomes one run. A recording that the log has already is left out.
    """
    van = read_van(van_file)
    cues = _in_order(_cues(files, van, starts))
    is_clean = True
    with Writer(log_file) as writer:
        played = []
        for number, cued in enumerate(cues, start=1):
            run = _play_once(cued, van, writer, keep_raw, f"{number} of {len(cues)}")
            is_clean = is_clean and run is not None
            played += [] if run is None else [run]
    with Log(log_file) as log:
        for row in log.runs():
            if row.id in played:
                click.echo(statement(log, row))
                is_clean = is_clean and not needs_look(log, row)
    click.echo(f"These figures are estimates, not promises. {CAUTION}")
    if not is_clean:
        ctx.exit(NEEDS_LOOK)


def _cues(files: Sequence[Path], van: Van, starts: Sequence[str]) -> list[Cue]:
    """Look at every recording before anything is written."""
    given = [_date_us(start, van) for start in starts]
    cues = [cue(open_recording(path, van, Progress())) for path in files]
    undated = [i for i, each in enumerate(cues) if each.start_us is None]
    if given and len(given) != len(undated):
        raise click.BadParameter(
            f"{len(given)} for {len(undated)} files without dates; give one each.",
            param_hint="--start",
        )
    for i, start_us in zip(undated, given, strict=False):
        cues[i] = replace(cues[i], start_us=start_us)
    return cues


def _date_us(text: str, van: Van) -> int:
    try:
        date = datetime.fromisoformat(text)
    except ValueError as err:
        raise click.BadParameter(
            f"{text!r} is no date; write it as 2024-06-28T10:02:15Z.",
            param_hint="--start",
        ) from err
    if date.tzinfo is None:
        date = date.replace(tzinfo=ZoneInfo(van.settings.van.time_zone))
    return round(date.timestamp() * US_PER_S)


def _in_order(cues: Sequence[Cue]) -> list[Cue]:
    """Put the dated ones in order of date, so that the order of files is no matter."""
    dated = [each for each in cues if each.start_us is not None]
    others = [each for each in cues if each.start_us is None]
    return sorted(dated, key=lambda each: (each.start_us or 0, each.sha256)) + others


def _play_once(
    cued: Cue, van: Van, writer: Writer, keeps_raw: bool, which: str
) -> int | None:
    """Play a recording unless the log has it; return the run, or None if it has."""
    with Log(writer.path) as log:
        runs = log.runs()
    path = cued.recording.path
    for run in runs:
        if run.recording_sha256 != cued.sha256:
            continue
        if run.end_us is not None:
            click.echo(f"{path.name} is in the log already, as run {run.id}.")
            return None
        # A replay that was stopped half way: the recording is still whole.
        writer.discard_run(run.id)
    carried = carried_count(runs, cued.start_us)
    with _progress(cued, which) as tell:
        return play(cued, van, writer, carried, keeps_raw, tell)


@contextmanager
def _progress(cued: Cue, which: str) -> Iterator[Callable[[], None]]:
    path = cued.recording.path
    label = f"{which}: {path.name}"
    if not sys.stderr.isatty():
        click.echo(label, err=True)
        yield lambda: None
        return
    seen = cued.recording.progress.done_bytes
    with click.progressbar(
        length=path.stat().st_size, label=label, file=sys.stderr
    ) as bar:

        def tell() -> None:
            bar.update(cued.recording.progress.done_bytes - seen - bar.pos)

        yield tell
