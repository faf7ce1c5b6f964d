"""The command `replay`."""

import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from zoneinfo import ZoneInfo

import click

from logger.commands.group import NEEDS_LOOK, SHORT_CAUTION, examples
from logger.commands.stamps import stamp_us
from logger.store.carrying import carried_count
from logger.store.reader import Log
from logger.store.writer import Writer
from logger.van.reading import Van, read_van
from replay.formats.opening import open_recording
from replay.formats.reading import Progress
from replay.formats.stamping import Wish
from replay.player import Cue, cue, file_name, play
from replay.statement import Statement
from replay.wishing import wish_options


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
    "--again",
    is_flag=True,
    help="Play a recording anew that the log has already; its old run is taken out",
)
@click.option(
    "--keep-raw/--no-keep-raw",
    default=True,
    help="Store frames and lines too, as the flight recorder does, default yes",
)
@wish_options
@click.pass_context
def replay(
    ctx: click.Context,
    files: tuple[Path, ...],
    van_file: Path,
    log_file: Path,
    starts: tuple[str, ...],
    again: bool,
    keep_raw: bool,
    wish: Wish,
) -> None:
    """Play recordings through the pipeline into a log and print what they come to.

    A recording is a CAN log (candump, ASC, TRC, BLF, MF4, CSV of frames), the text of a
    serial port, or a CSV table that the van file describes, plain or gzip; what it is,
    its content tells. Each becomes one run. A recording that the log has already is
    left out, unless it is to be played again: to give it a date, or by a mended van
    file.
    """
    van = read_van(van_file)
    cues = _in_order(_cues(files, van, Told(starts, wish)))
    played: list[int | None] = []
    with Writer(log_file) as writer:
        for number, cued in enumerate(cues, start=1):
            label = f"{number} of {len(cues)}: {file_name(cued.recording.path)}"
            played.append(_play_once(cued, van, writer, Choice(again, keep_raw), label))
        # What was stored a second a row is folded now: no logger may ever come to it.
        while writer.tidy():
            pass
    is_clean = None not in played
    with Log(log_file) as log:
        for row in log.runs():
            if row.id in played:
                told = Statement(log, row, van.settings)
                click.echo(str(told))
                is_clean = is_clean and not told.needs_look()
    click.echo(SHORT_CAUTION)
    if not is_clean:
        ctx.exit(NEEDS_LOOK)


@dataclass(frozen=True, slots=True)
class Told:
    """What was told of the recordings: their dates, and what else they lack."""

    starts: Sequence[str]
    wish: Wish


def _cues(files: Sequence[Path], van: Van, told: Told) -> list[Cue]:
    """Look at every recording before anything is written."""
    zone = ZoneInfo(van.settings.van.time_zone)
    given = [stamp_us(start, zone, "--start") for start in told.starts]
    cues = [cue(open_recording(path, van, Progress(), told.wish)) for path in files]
    undated = [i for i, each in enumerate(cues) if each.start_us is None]
    if given and len(given) != len(undated):
        raise click.BadParameter(
            f"{len(given)} for {len(undated)} files without dates; give one each.",
            param_hint="--start",
        )
    for i, start_us in zip(undated, given, strict=False):
        cues[i] = replace(cues[i], start_us=start_us)
    return cues


def _in_order(cues: Sequence[Cue]) -> list[Cue]:
    """Put the dated ones in order of date, so that the order of files is no matter."""
    dated = [each for each in cues if each.start_us is not None]
    others = [each for each in cues if each.start_us is None]
    return sorted(dated, key=lambda each: (each.start_us or 0, each.sha256)) + others


@dataclass(frozen=True, slots=True)
class Choice:
    """What was asked for: to play known recordings again, to keep the raw frames."""

    again: bool
    keeps_raw: bool


def _play_once(
    cued: Cue, van: Van, writer: Writer, choice: Choice, label: str
) -> int | None:
    """Play a recording, unless the log has it; return the run, or None if it has."""
    with Log(writer.path) as log:
        runs = log.runs()
        same_ids = {run.id for run in runs if run.recording_sha256 == cued.sha256}
        carried = carried_count(log, cued.start_us, same_ids)
    same = [run for run in runs if run.id in same_ids]
    whole = [run for run in same if not run.is_stopped_replay]
    if whole and not choice.again:
        name = file_name(cued.recording.path)
        click.echo(f"{name} is in the log already, as run {whole[0].id} (see --again).")
        return None
    with _progress(cued, label) as tell:
        run = play(cued, van, writer, carried, choice.keeps_raw, tell)
    # The older run goes only now that the newer one is whole. One that never ended is
    # of a replay that was stopped; it goes too.
    for old in same:
        writer.discard_run(old.id)
    return run


@contextmanager
def _progress(cued: Cue, label: str) -> Iterator[Callable[[], None]]:
    """Show how far a recording has been read: a bar on a terminal, else one line."""
    progress, size = cued.recording.progress, cued.recording.path.stat().st_size
    if not sys.stderr.isatty():
        click.echo(label, err=True)
        yield lambda: None
        return
    progress.done_bytes = 0  # the look at the first line does not count
    with click.progressbar(length=size, label=label, file=sys.stderr) as bar:
        yield lambda: bar.update(progress.done_bytes - bar.pos)
