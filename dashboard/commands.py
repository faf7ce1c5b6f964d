"""Commands of the dashboard: serve, pair, phones. They parse, call and print."""

import signal
import socket
import sys
from datetime import UTC, datetime
from pathlib import Path

import click

from dashboard import names
from dashboard.site import Site
from logger import places
from logger.clock import Clock, uptime_us
from logger.commands.group import examples
from logger.core.tick import US_PER_S
from logger.desk import Desk
from logger.errors import AmpledgerError
from logger.live import SnapshotFile
from logger.phones import PAIRING_S

PORT = 8440

FILE = click.Path(path_type=Path, dir_okay=False)

desk_option = click.option(
    "--desk",
    "desk_file",
    type=FILE,
    metavar="FILE",
    help="Where entries and paired phones are kept, default desk.db with the log",
)


class ServeError(AmpledgerError):
    """The dashboard cannot be served there."""


@click.command(
    epilog=examples("ampledger serve --host 0.0.0.0", "ampledger serve --log van.db")
)
@click.option(
    "--log",
    "log_file",
    type=FILE,
    metavar="FILE",
    help="The log to show, default van.db where the logger keeps it",
)
@click.option(
    "--live",
    "live_file",
    type=FILE,
    metavar="FILE",
    help="The logger's snapshot, default live.json where the logger writes it",
)
@desk_option
@click.option(
    "--host",
    default="127.0.0.1",
    show_default=False,
    metavar="ADDRESS",
    help="Address to listen at, 0.0.0.0 for all networks, default 127.0.0.1",
)
@click.option(
    "--port",
    type=click.IntRange(0, 65535),
    default=PORT,
    metavar="NUMBER",
    help=f"Port to listen at, 0 for any free one, default {PORT}",
)
@click.option(
    "--name",
    "more_names",
    multiple=True,
    metavar="NAME",
    help="Another name by which browsers may call it; may be repeated",
)
@click.option(
    "--open-here",
    is_flag=True,
    help="Let browsers on this very computer in without pairing",
)
@click.option("--demo", is_flag=True, help="Say on every page that the van is invented")
@click.option(
    "--drive-lock/--no-drive-lock",
    default=None,
    help="Show only Drive while the van moves, default yes but in the demo",
)
def serve(
    log_file: Path | None,
    live_file: Path | None,
    desk_file: Path | None,
    host: str,
    port: int,
    more_names: tuple[str, ...],
    open_here: bool,
    demo: bool,
    drive_lock: bool | None,
) -> None:
    """Serve the dashboard to phones and browsers.

    It reads the log and the logger's snapshot, and writes nothing but the desk. A
    browser has to be paired first; see ampledger pair.
    """
    desk = Desk(desk_file or places.desk_file())
    site = Site(
        log_path=log_file or places.log_file(),
        snapshots=SnapshotFile(live_file or places.live_file()),
        desk=desk,
        clock=Clock(),
        names=names.own_names(more_names),
        is_open_here=open_here,
        locks_while_moving=not demo if drive_lock is None else drive_lock,
        is_demo=demo,
    )
    with _listening(host, port) as sock:
        _announce(host, sock.getsockname()[1], desk)
        _run(site, sock)


def _listening(host: str, port: int) -> socket.socket:
    """Return a socket that listens.

    Raises:
        ServeError: The address or the port is not to be had.
    """
    try:
        (family, *_), *_ = socket.getaddrinfo(
            host, port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE
        )
        return socket.create_server((host, port), family=family, backlog=128)
    except OSError as err:
        raise ServeError(
            where=f"--host {host} --port {port}",
            saw=(err.strerror or str(err)).lower(),
            fix="Give an address of this computer and a port that is free.",
        ) from err


def _announce(host: str, port: int, desk: Desk) -> None:
    here, *others = names.addresses(host, port)
    click.echo(f"Ampledger: {here}")
    for other in others:
        click.echo(f"From a phone: {other}")
    if not names.is_loopback(host) and not desk.phones():
        _tell_code(desk, [*others, here][0])
    sys.stdout.flush()


def _tell_code(desk: Desk, address: str) -> None:
    code = desk.open_pairing(uptime_us())
    click.echo(f"Type {code[:4]} {code[4:]} at {address}pair")
    click.echo(f"It is good for one phone and {PAIRING_S // 60} minutes.")


def _run(site: Site, sock: socket.socket) -> None:
    # The web libraries take half a second; the address has been printed by now.
    from dashboard.app import create_app
    from dashboard.server import make_server

    server = make_server(create_app(site))
    stops = (signal.SIGINT, signal.SIGTERM)
    # What the server hands on once it has stopped shall not end the program a second
    # time: a stop that was asked for is no failure.
    before = {each: signal.signal(each, server.handle_exit) for each in stops}
    try:
        server.run(sockets=[sock])
    finally:
        for each, handler in before.items():
            signal.signal(each, handler)


@click.command(
    epilog=examples("ampledger pair", "ampledger pair --desk desk.db --port 8440")
)
@desk_option
@click.option(
    "--port",
    type=click.IntRange(1, 65535),
    default=PORT,
    metavar="NUMBER",
    help=f"Port that the dashboard listens at, default {PORT}",
)
def pair(desk_file: Path | None, port: int) -> None:
    """Show a code that pairs one phone.

    An earlier code is void from then on. The fifth wrong try ends it too.
    """
    found = names.own_addresses()
    address = names.address(found[0] if found else "127.0.0.1", port)
    _tell_code(Desk(desk_file or places.desk_file()), address)


@click.command(
    epilog=examples("ampledger phones --desk desk.db", "ampledger phones --remove 2")
)
@desk_option
@click.option(
    "--remove",
    "number",
    type=click.IntRange(min=1),
    metavar="NUMBER",
    help="Take the right of this phone away, within seconds",
)
def phones(desk_file: Path | None, number: int | None) -> None:
    """List the paired phones, or take one off the list."""
    desk = Desk(desk_file or places.desk_file())
    if number is not None:
        if not desk.unpair(number):
            raise click.BadParameter(f"no phone {number}.", param_hint="--remove")
        click.echo(f"Phone {number} is not paired any more.")
        return
    found = desk.phones()
    for phone in found:
        click.echo(f"{phone.number:>4}  {_day(phone.paired_us)}  {phone.label}")
    if not found:
        click.echo("No phone is paired. See: ampledger pair")


def _day(date_us: int | None) -> str:
    if date_us is None:
        return "no date   "
    return datetime.fromtimestamp(date_us // US_PER_S, tz=UTC).date().isoformat()
