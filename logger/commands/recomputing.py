"""The command `recompute`."""

import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import click

from logger.commands.group import NEEDS_LOOK, examples
from logger.core.tick import US_PER_S
from logger.daemon.book import end_cut_off_runs
from logger.errors import StoreError
from logger.store.reader import Log, RunRow, iso_utc
from logger.store.recomputing import Outcome, in_order, recompute
from logger.store.writer import Writer
from logger.van.reading import read_van

METRES_PER_KM = 1000.0


@click.command(
    "recompute",
    epilog=examples(
        "ampledger recompute van.db --van van.toml",
        "ampledger recompute van.db --van van.toml --run 12",
    ),
)
@click.argument(
    "log_file",
    metavar="DB",
    type=click.Path(path_type=Path, exists=True, dir_okay=False),
)
@click.option(
    "--van",
    "van_file",
    metavar="VAN.toml",
    type=click.Path(path_type=Path),
    help="The corrected van file, default that of each run",
)
@click.option(
    "--run",
    "only",
    metavar="NUMBER",
    type=int,
    help="Only this run, default all",
)
@click.pass_context
def recompute_command(
    ctx: click.Context, log_file: Path, van_file: Path | None, only: int | None
) -> None:
    """Work trips, sums, minutes and the count of a log out again.

    Use it after a setting was corrected: the size of the wheels, the capacity of the
    pack, the sign of a box. The logger has to be stopped. What comes out is what would
    have been stored with that setting; a run of which too little is kept for that is
    left as it was and named. May be stopped and begun again.
    """
    van = None if van_file is None else read_van(van_file)
    left = 0
    with Writer(log_file) as writer:
        end_cut_off_runs(writer)
        runs = _wanted(log_file, only)
        with _progress(runs) as tell:
            for run in runs:
                outcome = recompute(writer, run, van, tell)
                click.echo(line(outcome))
                left += outcome.source is None
    if left:
        click.echo(f"{left} of {len(runs)} runs left as they were.")
        ctx.exit(NEEDS_LOOK)


def _wanted(log_file: Path, only: int | None) -> list[RunRow]:
    with Log(log_file) as log:
        runs = in_order(log.runs())
    wanted = [run for run in runs if only in (None, run.id)]
    if not wanted and only is not None:
        numbers = ", ".join(str(run.id) for run in runs) or "none"
        raise StoreError(
            where=f"{log_file} run {only}",
            saw="no such run",
            fix=f"Give the number of a run of this log: {numbers}.",
        )
    return wanted


def line(outcome: Outcome) -> str:
    """Return what became of a run, in one line."""
    run = outcome.run
    name = run.recording or iso_utc(run.start_us) or "undated"
    if outcome.source is None:
        return f"Run {run.id} ({name}): left as it was; {outcome.why_left}."
    before, after = outcome.before, outcome.after
    pairs = (
        ("distance", _km(before.distance_m), _km(after.distance_m), "km"),
        ("used", _places(before.used_wh, 0), _places(after.used_wh, 0), "Wh"),
        (
            "end of the count",
            _places(before.end_pct, 1),
            _places(after.end_pct, 1),
            "%",
        ),
    )
    moved = [
        f"{what} {was} -> {now} {unit}" for what, was, now, unit in pairs if was != now
    ]
    told = ", ".join(moved) or "comes to the same"
    return f"Run {run.id} ({name}), from {outcome.source.value}: {told}."


def _km(distance_m: float | None) -> str:
    return _places(None if distance_m is None else distance_m / METRES_PER_KM, 2)


def _places(value: float | None, places: int) -> str:
    return "-" if value is None else f"{value:.{places}f}"


@contextmanager
def _progress(runs: Sequence[RunRow]) -> Iterator[Callable[[int], None]]:
    """Show how far it is: a bar on a terminal, nothing but the lines elsewhere."""
    if not sys.stderr.isatty():
        yield lambda seconds: None
        return
    length = sum((run.end_us or 0) // US_PER_S for run in runs)
    with click.progressbar(
        length=length, label="Working it out again", file=sys.stderr
    ) as bar:
        yield bar.update
