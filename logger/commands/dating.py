"""The command `date`: a person gives an older run its date."""

import tomllib
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import click

from logger.commands.group import examples
from logger.core.dating import EPOCH
from logger.core.satellites import LATEST_US
from logger.core.tick import US_PER_S
from logger.errors import StoreError
from logger.store.reader import Log, RunRow, iso_utc
from logger.store.writer import Writer
from logger.van.settings import VanSection

EARLIEST_US = 946_684_800 * US_PER_S
"""1 January 2000: a recording may be older than this program."""


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
            start_us = _date_us(stamp, _zone(log.van_text(run)))
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


def _zone(van_text: str) -> ZoneInfo:
    try:
        section = VanSection.model_validate(tomllib.loads(van_text).get("van", {}))
        return ZoneInfo(section.time_zone)
    except (ValueError, KeyError, OSError):
        return ZoneInfo("UTC")


def _date_us(text: str, zone: ZoneInfo) -> int:
    try:
        found = datetime.fromisoformat(text)
    except ValueError as err:
        fix = f"{text!r} is no date; write it as 2026-06-19T07:12:00Z."
        raise click.BadParameter(fix, param_hint="STAMP") from err
    if found.tzinfo is None:
        found = found.replace(tzinfo=zone)
    date_us = round((found - EPOCH).total_seconds() * US_PER_S)
    if not EARLIEST_US <= date_us < LATEST_US:
        fix = f"{text!r} is not from 2000 to 2100."
        raise click.BadParameter(fix, param_hint="STAMP")
    return date_us
