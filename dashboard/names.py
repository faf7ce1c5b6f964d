"""By which names and addresses this computer may be called. Edge: asks the system."""

import socket
from collections.abc import Iterable

LOOPBACK = frozenset({"localhost", "127.0.0.1", "::1"})

ANYWHERE = ("0.0.0.0", "::", "")
"""What a server listens at to be reached by every network."""


def is_loopback(host: str) -> bool:
    """Return whether only this very computer is reached by a name or an address."""
    return host.lower() in LOOPBACK or host.startswith("127.")


def own_addresses() -> list[str]:
    """Return the addresses by which other computers reach this one, best first."""
    found = [
        _way_out(socket.AF_INET, "192.0.2.1"),
        _way_out(socket.AF_INET6, "2001:db8::1"),
    ]
    try:
        infos = socket.getaddrinfo(socket.gethostname(), None)
    except OSError:
        infos = []
    found += [str(info[4][0]).partition("%")[0] for info in infos]
    return [each for each in dict.fromkeys(found) if each and not _is_local(each)]


def _way_out(family: socket.AddressFamily, far: str) -> str:
    """Return our address on the way to elsewhere; nothing is sent to find it.

    Args:
        family: Kind of address.
        far: An address of the ranges kept for documentation, where nobody lives.
    """
    try:
        with socket.socket(family, socket.SOCK_DGRAM) as sock:
            sock.connect((far, 9))
            return str(sock.getsockname()[0])
    except OSError:
        return ""


def _is_local(address: str) -> bool:
    return is_loopback(address) or address.startswith("fe80:")


def own_names(more: Iterable[str] = ()) -> frozenset[str]:
    """Return every name by which this computer may be called.

    Args:
        more: Names that a person added.
    """
    host = socket.gethostname().lower()
    names = {*LOOPBACK, host, f"{host.removesuffix('.local')}.local"}
    return frozenset(names | set(own_addresses()) | {name.lower() for name in more})


def address(host: str, port: int) -> str:
    """Return what a person types into a browser."""
    shown = f"[{host}]" if ":" in host else host
    return f"http://{shown}:{port}/"


def addresses(host: str, port: int) -> list[str]:
    """Return the addresses at which a server that listens at `host` is reached.

    The first one is for a browser on this computer.
    """
    if host not in ANYWHERE:
        return [address(host, port)]
    return [address(each, port) for each in ("127.0.0.1", *own_addresses())]
