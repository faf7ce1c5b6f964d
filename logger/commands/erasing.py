"""The command `erase`: a trip, all places, or what a former owner left in a log."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import click

from logger.commands.group import NEEDS_LOOK, examples
from logger.core.trips import Trip
from logger.desk import Desk
from logger.errors import StoreError
from logger.store.connect import Connection
from logger.store.copying import copies
from logger.store.erasing import erase_owner, erase_places, erase_trip
from logger.store.reader import Log, iso_utc
from logger.store.sweeping import sweep
from logger.store.writer import Writer

Steps = Callable[[Connection], Iterator[str]]


@dataclass(frozen=True, slots=True)
class Plan:
    """What is to be erased: in words, and how."""

    words: str
    steps: Steps


@click.command(
    epilog=examples(
        "ampledger erase van.db places", "ampledger erase van.db trip 12 2 --yes"
    )
)
@click.argument(
    "log_file",
    metavar="DB",
    type=click.Path(path_type=Path, exists=True, dir_okay=False),
)
@click.argument("what", type=click.Choice(["trip", "places", "owner"]))
@click.argument("run", metavar="[RUN", required=False, type=click.IntRange(min=1))
@click.argument("number", metavar="N]", required=False, type=click.IntRange(min=1))
@click.option(
    "--desk",
    "desk_file",
    metavar="FILE",
    type=click.Path(path_type=Path, exists=True, dir_okay=False),
    help="With owner: forget the phones and entries of this desk too",
)
@click.option("--yes", is_flag=True, help="Do not ask first")
@click.pass_context
def erase(
    ctx: click.Context,
    log_file: Path,
    what: str,
    run: int | None,
    number: int | None,
    desk_file: Path | None,
    yes: bool,
) -> None:
    """Erase a trip, all places, or what a former owner left; the books are kept.

    `trip RUN N` is the Nth trip of a run, with all that was heard meanwhile. `places`
    are positions and whatever frames may tell them. `owner` is for handing the van
    over: places, notes, names of recordings, the van's name and comments in its van
    file. Sums and counts stay. What is erased cannot be brought back. End the logger
    first.
    """
    given = (run is not None) + (number is not None)
    if given != (2 if what == "trip" else 0):
        raise click.UsageError("Give RUN and N with trip, and with nothing else.")
    if desk_file is not None and what != "owner":
        raise click.UsageError("--desk goes with owner.")
    plan = _plan(log_file, what, run or 0, number or 0)
    click.echo(plan.words)
    if not yes:
        click.confirm("Erase this for good?", abort=True)
    with Writer(log_file) as writer:
        for _ in writer.work(plan.steps):
            pass
        while writer.tidy():
            pass
        for _ in writer.work(lambda connection: sweep(connection, log_file.name)):
            pass
    if desk_file is not None:
        Desk(desk_file).clear()
    left = _still_there(log_file)
    if left:
        click.echo("These beside the log still hold it; delete them if you mean to:")
        for each in left:
            click.echo(f"  {each}")
        ctx.exit(NEEDS_LOOK)


def _plan(log_file: Path, what: str, run: int, number: int) -> Plan:
    if what == "places":
        return Plan(
            "All positions go, and all frames and lines of the buses and ports that"
            " tell them.",
            erase_places,
        )
    if what == "owner":
        return Plan(
            "All positions and the frames that may tell them go, all notes, the names"
            " of recordings, the van's name and the comments in its van file.",
            erase_owner,
        )
    trip, words = _trip(log_file, run, number)
    return Plan(words, lambda c: erase_trip(c, run, trip.start_us, trip.end_us))


def _trip(log_file: Path, run: int, number: int) -> tuple[Trip, str]:
    with Log(log_file) as log:
        row = next((each for each in log.runs() if each.id == run), None)
        trips = [] if row is None else log.trips(run)
        if row is None or number > len(trips):
            raise StoreError(
                where=f"{log_file}, run {run}",
                saw=f"{len(trips)} trips",
                fix="Give a run and the number of one of its trips (see export trips).",
            )
        trip = trips[number - 1]
        start = iso_utc(row.date_us(trip.start_us)) or "without a date"
    minutes = trip.duration_s / 60
    return trip, (
        f"Trip {number} of run {run} goes: {start}, {minutes:.0f} min, with its"
        " seconds, frames and events."
    )


def _still_there(log_file: Path) -> list[Path]:
    """Return copies and logs that were set aside: they are not touched."""
    found = set(copies(log_file, log_file.parent))
    for why in ("damaged", "replaced"):
        found |= set(log_file.parent.glob(f"{log_file.stem}.{why}-*.db"))
    return sorted(found)
