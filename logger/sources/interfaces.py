"""A SocketCAN interface as the operating system has set it up: does it only listen?

Asks and sets with `ip` of iproute2, the system's own tool: the kernel tells these
things over netlink only, and setting them needs the right to set up the network, which
the logger as a service does not have. What is up is never touched: another program may
be using it.
"""

import json
import subprocess
from dataclasses import dataclass

from logger.errors import SourceError

NO_WIRE = ("vcan", "vxcan")
"""Kinds of interface with nothing to speak to but this computer."""

LONGEST_S = 5.0
"""`ip` answers within milliseconds."""

NEAR = 0.01
"""Share by which a bit rate may be off: controllers reach few of them exactly."""


@dataclass(frozen=True, slots=True)
class Interface:
    """What is known of an interface.

    Attributes:
        kind: `can`, `vcan`, ...; empty where its driver does not tell.
        is_up: True where it is switched on.
        only_listens: True where its controller is set not even to acknowledge.
        bit_rate: Bits a second; None where it is not set or there is none.
    """

    kind: str
    is_up: bool
    only_listens: bool
    bit_rate: int | None


def interface_of(answer: str) -> Interface:
    """Return what `ip -details -json link show` says of one interface.

    Raises:
        ValueError: That is no answer of it.
    """
    try:
        (link,) = [each for each in json.loads(answer) if each]
        info = link.get("linkinfo", {})
        details = info.get("info_data", {})
        return Interface(
            kind=str(info.get("info_kind", "")),
            is_up="UP" in link["flags"],
            only_listens="LISTEN-ONLY" in details.get("ctrlmode", ()),
            bit_rate=details.get("bittiming", {}).get("bitrate")
            # Of a driver that knows a few rates only.
            or details.get("bittiming_bitrate"),
        )
    except (KeyError, TypeError, AttributeError) as err:
        raise ValueError(f"no answer of ip: {answer[:80]}") from err


def make_listen(name: str, where: str, bit_rate: int | None, *, is_new: bool) -> None:
    """See to it that an interface only listens.

    One that is new and down is set up that way, if this program may; any other has to
    be: a person who takes it down to change it must not be raced.

    Args:
        name: The interface, for example `can0`.
        where: What to call the source in an error.
        bit_rate: What the van file says; None where it does not.
        is_new: True where it was not there at the last opening.

    Raises:
        SourceError: It speaks, or cannot be told to be quiet.
    """
    found = _look(name, where)
    if found.kind in NO_WIRE:
        return
    if is_new and not found.is_up and _set_up(name, bit_rate):
        found = _look(name, where)
    if not found.only_listens:
        raise SourceError(
            where=where,
            saw="an interface that would acknowledge frames",
            fix=f'{_words(name, bit_rate)} Or set mode to "acknowledge" if it has to.',
        )
    if bit_rate and found.bit_rate and abs(found.bit_rate / bit_rate - 1) > NEAR:
        raise SourceError(
            where=where,
            saw=f"an interface set to {found.bit_rate} bit/s",
            fix=f"{_words(name, bit_rate)} Or correct bit_rate.",
        )


def _words(name: str, bit_rate: int | None) -> str:
    """Return what to type."""
    rate = f" bitrate {bit_rate}" if bit_rate else ""
    return (
        f"Type: ip link set {name} down; ip link set {name} type can{rate} "
        f"listen-only on; ip link set {name} up."
    )


def _set_up(name: str, bit_rate: int | None) -> bool:
    """Set an interface that is down to listening, and up; return whether it took it."""
    rate = ("bitrate", str(bit_rate)) if bit_rate else ()
    steps = (("type", "can", *rate, "listen-only", "on"), ("up",))
    return all(_ip("link", "set", name, *step).returncode == 0 for step in steps)


def _look(name: str, where: str) -> Interface:
    """Ask for an interface.

    Raises:
        SourceError: It is not there, or nobody can tell.
    """
    try:
        done = _ip("-details", "-json", "link", "show", "dev", name)
    except (OSError, subprocess.SubprocessError) as err:
        raise SourceError(
            where=where,
            saw=f"no way to tell whether it only listens ({err})",
            fix="Install iproute2, which has the command ip.",
        ) from err
    if done.returncode != 0:
        raise SourceError(
            where=where,
            saw="no such interface",
            fix="Look whether it is plugged in, and under which name.",
        )
    try:
        return interface_of(done.stdout)
    except ValueError as err:
        raise SourceError(
            where=where, saw=str(err), fix="Install a newer iproute2."
        ) from err


def _ip(*words: str) -> "subprocess.CompletedProcess[str]":
    """Run `ip`; it writes no file and asks nobody."""
    return subprocess.run(
        ("ip", *words), capture_output=True, text=True, timeout=LONGEST_S, check=False
    )
