"""The command `check`: is a van file sound, and what does it come to?"""

from pathlib import Path

import click

from logger.commands.group import NEEDS_LOOK, SHORT_CAUTION, examples
from logger.core.derived import derive
from logger.core.soc import PackSpec
from logger.van.reading import Van, read_van
from logger.van.settings import PackSection

MODES = {
    "listen-only": "listen-only: heard, and not even acknowledged",
    "acknowledge": "acknowledge: tells every talker that its frame was heard; a wrong "
    "bit rate then disturbs the bus. No frame is sent",
}
"""What a mode of a bus means."""


@click.command(
    epilog=examples("ampledger check van.toml", "ampledger check van.toml --listen 30")
)
@click.argument("van_file", metavar="VAN.toml", type=click.Path(path_type=Path))
@click.option(
    "--listen",
    "seconds",
    metavar="SECONDS",
    type=click.FloatRange(min=0.5, max=3600),
    help="Seconds to listen to the van, default not at all; nothing is sent",
)
@click.pass_context
def check(ctx: click.Context, van_file: Path, seconds: float | None) -> None:
    """Say whether a van file is sound, and what it comes to.

    All faults are listed together; exit code 2 means there are some. With --listen also
    whether each source speaks and each channel shows what can be; exit code 3 means
    that something needs a look. The logger must not have the ports meanwhile.
    """
    van = read_van(van_file)
    click.echo(f"{van_file.name} is sound.")
    for name, text in _summary(van):
        click.echo(f"  {name:<18}  {text}")
    is_well = seconds is None or _listened(van, seconds)
    click.echo(SHORT_CAUTION)
    if not is_well:
        ctx.exit(NEEDS_LOOK)


def _listened(van: Van, seconds: float) -> bool:
    """Listen, say what was found, and return whether nothing needs a look."""
    # What opens buses and ports takes its time to load.
    from logger.commands.attending import attend
    from logger.commands.checked_live import LiveCheck

    live = LiveCheck(van)
    findings = live.findings(attend(van.settings, seconds, live.take))
    click.echo(f"Heard in {seconds:g} s:")
    for each in findings:
        mark = "!" if each.needs_look else " "
        click.echo(f"{mark} {each.name:<28} {each.text}")
    for name, text in live.sign_trials:
        click.echo(f"Which way {name} counts: {text}")
    return not any(each.needs_look for each in findings)


def _summary(van: Van) -> list[tuple[str, str]]:
    settings, spec = van.settings, van.spec
    fed = {feed.channel.name for feed in spec.feeds()}
    worked_out = derive(fed, spec.metres_per_motor_turn)
    rows = [("van", f"{settings.van.name}; a day ends in {settings.van.time_zone}")]
    if settings.pack is None:
        rows.append(("pack", "none; nothing is counted"))
    else:
        rows += _pack_summary(settings.pack)
    rows += [
        (f"bus {bus.name}", f"{bus.interface}, {MODES[bus.mode]}")
        for bus in settings.buses
    ]
    rows += [
        (f"port {port.name}", f"{port.device}, {port.baud_rate} baud")
        for port in settings.ports
    ]
    rows += [
        (f"table {name}", "columns " + ", ".join(table.columns))
        for name, table in van.tables.items()
    ]
    rows += [
        ("description", f"{file.name}, SHA-256 {file.sha256[:12]}")
        for file in van.descriptions
    ]
    rows += [
        ("description", f"{file.name}: {remark}")
        for file in van.descriptions
        for remark in file.remarks
    ]
    rows.append(("channels", f"{len(fed)} fed, {len(worked_out)} worked out"))
    return rows


def _pack_summary(pack: PackSection) -> list[tuple[str, str]]:
    capacity_ah = PackSpec.of(pack.nameplate_ah, pack.capacity_is_measured).capacity_ah
    why = "as measured" if pack.capacity_is_measured else "95 % of the nameplate"
    rows = [
        (
            "pack",
            f"{pack.series_groups} groups in series, {capacity_ah:.2f} Ah ({why})",
        )
    ]
    curve = pack.curve()
    if curve is not None:
        empty_v, full_v = (
            pack.series_groups * pair[1] for pair in (curve[0], curve[-1])
        )
        rows.append(("open circuit", f"{empty_v:.1f} V empty, {full_v:.1f} V full"))
    return rows
