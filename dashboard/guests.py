"""Who a request comes from: this very computer, a paired phone, or a stranger.

Looks tokens up on the desk, in a thread of its own and at most every few seconds, so
that no request waits for a card. Decides nothing about what a stranger may see.
"""

import hashlib
import ipaddress
import re
from dataclasses import dataclass, field

import anyio
from starlette.datastructures import Headers
from starlette.requests import cookie_parser
from starlette.types import Scope

from logger.clock import uptime_us
from logger.core.tick import US_PER_S
from logger.desk import Desk

COOKIE = "phone"
"""Name of the cookie that holds a phone's token."""

TRUST_US = 5 * US_PER_S
"""How long an answer of the desk is believed: a phone that was taken off the list is
out after so long."""

MOST_ANSWERS = 256
"""Strangers with made-up tokens shall not fill the memory."""

_TOKEN = re.compile(r"[A-Za-z0-9_-]{43}")
"""256 bits in base 64 without padding; anything else is not looked up."""

_FORWARDED = ("forwarded", "x-forwarded-for", "x-real-ip")
"""Where one of these is, the browser sits behind a proxy and not at this computer."""


def cookies(headers: Headers) -> dict[str, str]:
    """Return the cookies of a request by name."""
    found: dict[str, str] = {}
    for line in headers.getlist("cookie"):
        found |= cookie_parser(line)
    return found


def is_loopback(address: str) -> bool:
    """Return whether an address can only be this very computer."""
    try:
        parsed = ipaddress.ip_address(address)
    except ValueError:
        return False
    mapped = getattr(parsed, "ipv4_mapped", None)
    return bool((mapped or parsed).is_loopback)


def is_here(scope: Scope, headers: Headers) -> bool:
    """Return whether a browser on this very computer asks."""
    client = scope.get("client")
    if client is None or any(name in headers for name in _FORWARDED):
        return False
    return is_loopback(client[0])


@dataclass(slots=True, eq=False)
class Guests:
    """Tells paired phones from strangers.

    Args:
        desk: Where the phones are; None where none can be paired.
    """

    desk: Desk | None
    _answers: dict[bytes, tuple[int, bool]] = field(default_factory=dict)
    _lane: anyio.CapacityLimiter | None = None

    async def is_paired(self, headers: Headers) -> bool:
        """Return whether a request carries the token of a paired phone.

        Raises:
            StoreError: The desk cannot be read.
        """
        token = cookies(headers).get(COOKIE, "")
        desk = self.desk
        if desk is None or not _TOKEN.fullmatch(token):
            return False
        key, now_us = hashlib.sha256(token.encode()).digest(), uptime_us()
        until_us, is_known = self._answers.get(key, (0, False))
        if now_us < until_us:
            return is_known
        # Two at a time: a flood of tokens shall not take the threads of the pages.
        self._lane = self._lane or anyio.CapacityLimiter(2)
        is_known = await anyio.to_thread.run_sync(
            desk.is_paired, token, limiter=self._lane
        )
        if len(self._answers) >= MOST_ANSWERS:
            self._answers.clear()
        self._answers[key] = (now_us + TRUST_US, is_known)
        return is_known
