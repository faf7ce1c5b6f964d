"""The command `date`: a person gives an older run its date."""

from pathlib import Path

import click

from logger.commands.group import examples
from logger.commands.stamps import stamp_us
from logger.errors import StoreError
from logger.store.reader import Log, RunRow, iso_utc
from logger.store.writer import Writer
from logger.van.stored import stored_van, time_zone


@click.command(
    epilog=examples(
        "ampledger date van.db 12 '2026-06-19 08:12'",
        "ampledger date van.db 12 2026-06-19T07:12:00Z --anyway",
    )
)
@click.argument("log_file", metavar="DB", type=click.Path(path_type=Path, exists=True))
@click.argument("run", type=click.IntRange(min=1))
@click.argument("stamp")
@click.option(
    "--anyway",
    is_flag=True,
    help="Set it although network, satellites or the recording gave the date",
)
def date(log_file: Path, run: int, stamp: str, anyway: bool) -> None:
    """Set the date at which a run began, where the computer's own was wrong.

    STAMP is ISO 8601; without a zone it is in the van's own. Runs of the same start of
    the computer that nobody has confirmed follow. Nothing else in the log changes. A
    logger that runs is given the date on its Log page instead.
    """
    with Writer(log_file) as writer:
        with Log(log_file) as log:
            before = {each.id: each for each in log.runs()}
            _check(before.get(run), run, log_file, anyway)
            zone = time_zone(stored_van(log.van_text(run)))
            start_us = stamp_us(stamp, zone, "STAMP")
        writer.redate(run, start_us, "person", 0)
        with Log(log_file) as log:
            after = log.runs()
    for each in after:
        if each.id == run or each != before[each.id]:
            was = iso_utc(before[each.id].start_us) or "unknown"
            click.echo(f"Run {each.id} began at {iso_utc(each.start_us)}, was {was}.")


def _check(run: RunRow | None, number: int, path: Path, anyway: bool) -> None:
    if run is None:
        fix = "Give the number of a run, as `export DB trips` names them."
        raise StoreError(where=str(path), saw=f"no run {number}", fix=fix)
    if run.is_start_sure and run.dated_by != "person" and not anyway:
        raise StoreError(
            where=f"{path}, run {run.id}",
            saw=f"a date confirmed by {run.dated_by}, {iso_utc(run.start_us)}",
            fix="Leave it, or set it with --anyway.",
        )
