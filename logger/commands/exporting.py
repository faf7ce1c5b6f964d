"""The command `export`: parts of a log as tables, tracks or CAN logs."""

import sys
from datetime import UTC, tzinfo
from pathlib import Path

import click

from logger.commands.export_files import Target, write
from logger.commands.group import examples
from logger.commands.progress import shown
from logger.commands.stamps import stamp_us
from logger.store.export.choice import Choice, Extract, chosen, one_clock
from logger.store.export.making import CAN_LOGS, MADE_OF, SUFFIXES, Form, What
from logger.store.reader import Log
from logger.van.stored import stored_van, time_zone


@click.command(
    epilog=examples(
        "ampledger export van.db trips",
        "ampledger export van.db frames --from 2026-06-21T10:00 --output morning.log",
    )
)
@click.argument("log_file", metavar="DB", type=click.Path(path_type=Path))
@click.argument("what", type=click.Choice([what.value for what in What]))
@click.option(
    "--format",
    "form",
    type=click.Choice([form.value for form in Form]),
    help="Kind of file, default what the name of the output ends in, else csv",
)
@click.option(
    "--from",
    "from_stamp",
    metavar="STAMP",
    help="First date, ISO 8601, default zone that of the van, default the begin",
)
@click.option(
    "--to",
    "to_stamp",
    metavar="STAMP",
    help="First date that is left out again, default the end of the log",
)
@click.option(
    "--run", type=click.IntRange(min=1), metavar="N", help="Only this run, default all"
)
@click.option(
    "--channel",
    "channels",
    multiple=True,
    metavar="NAME",
    help="Only this channel of the signals; may be repeated, default all",
)
@click.option(
    "--port",
    metavar="NAME",
    help="Whose text with the format text, default the only port's",
)
@click.option(
    "--output",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE",
    help="Where to write, default standard output",
)
def export(
    log_file: Path,
    what: str,
    form: str | None,
    from_stamp: str | None,
    to_stamp: str | None,
    run: int | None,
    channels: tuple[str, ...],
    port: str | None,
    output: Path | None,
) -> None:
    """Write a part of a log as a table, a track or a CAN log.

    Times are ISO 8601 in UTC; an empty cell means not known. Pack current and charge
    are positive into the pack. What a range or a form leaves out is told on stderr.
    """
    wanted, kind = What(what), _form(What(what), form, output)
    if channels and wanted is not What.SIGNALS:
        raise click.BadParameter("goes with signals only.", param_hint="--channel")
    if port is not None and kind is not Form.TEXT:
        raise click.BadParameter("goes with the format text only.", param_hint="--port")
    with Log(log_file) as log:
        _check_known(log, run, channels)
        zone = _zone(log)
        choice = Choice(
            run,
            _stamp_us(from_stamp, zone, "--from"),
            _stamp_us(to_stamp, zone, "--to"),
        )
        if choice.is_empty:
            raise click.BadParameter("is not after --from.", param_hint="--to")
        found = chosen(log, choice, MADE_OF[wanted])
        if kind in CAN_LOGS:
            found = one_clock(found)
        _tell(found.notes)
        extract = Extract(log, found.parts, channels, zone)
        is_free = output is not None or not sys.stdout.isatty()
        with shown(f"{what} of {log_file.name}", extract.total_s, is_free) as tell:
            extract.tell = tell
            notes = write(extract, wanted, kind, Target(output, log_file, port))
        _tell(notes)


def _tell(notes: tuple[str, ...] | list[str]) -> None:
    for note in notes:
        click.echo(note, err=True)


def _form(what: What, asked: str | None, output: Path | None) -> Form:
    """Return the kind of file, if it goes together with what is exported.

    Raises:
        click.BadParameter: It does not.
    """
    suffix = "" if output is None else output.suffix.lower()
    form = SUFFIXES.get(suffix, Form.CSV) if asked is None else Form(asked)
    hint = "--format" if asked else "--output"
    if form in (*CAN_LOGS, Form.TEXT) and what is not What.FRAMES:
        raise click.BadParameter(
            f"{form.value} goes with frames only.", param_hint=hint
        )
    if form is Form.GPX and what is not What.PLACES:
        raise click.BadParameter("gpx goes with places only.", param_hint=hint)
    if form in (Form.PARQUET, Form.BLF, Form.TRC, Form.TEXT) and output is None:
        raise click.BadParameter(
            f"{form.value} needs --output, a file.", param_hint="--format"
        )
    return form


def _check_known(log: Log, run: int | None, channels: tuple[str, ...]) -> None:
    unknown = sorted(set(channels) - set(log.channels.values()))
    if unknown:
        raise click.BadParameter(
            f"{unknown[0]} is not in this log.", param_hint="--channel"
        )
    whole = [each.id for each in log.runs() if not each.is_stopped_replay]
    if run is not None and run not in whole:
        raise click.BadParameter(f"{run} is not in this log.", param_hint="--run")


def _zone(log: Log) -> tzinfo:
    """Return the van's own time zone, by its newest van file."""
    newest = max((run.id for run in log.runs()), default=None)
    return UTC if newest is None else time_zone(stored_van(log.van_text(newest)))


def _stamp_us(text: str | None, zone: tzinfo, option: str) -> int | None:
    return None if text is None else stamp_us(text, zone, option)
