"""What every message carries and how big it may be: security headers, body limit.

Knows bytes and header names; nothing of who asks for what.
"""

from collections.abc import Sequence

from starlette.datastructures import Headers
from starlette.exceptions import HTTPException
from starlette.types import Message, Receive, Send

from dashboard.assets import CHART_POLICY

POLICY = (
    "default-src 'self'; frame-ancestors 'none'; base-uri 'none'; form-action 'self';"
    " object-src 'none'"
)
"""Nothing but our own files, in nobody's frame."""

POLICIES = frozenset({POLICY.encode(), CHART_POLICY.encode()})
"""What a route may set by itself; anything else becomes the first."""

LONGEST_BODY_BYTES = 1_000_000

Pairs = Sequence[tuple[bytes, bytes]]

FIXED: Pairs = (
    (b"x-content-type-options", b"nosniff"),
    (b"referrer-policy", b"same-origin"),
    (b"cross-origin-resource-policy", b"same-origin"),
)
"""Set on everything, whatever a route says."""

_POLICY_HEADER = b"content-security-policy"
_OURS = {name for name, _ in FIXED} | {_POLICY_HEADER}


def secured(given: Pairs) -> list[tuple[bytes, bytes]]:
    """Return the headers of a response with the security headers among them."""
    low = [(name.lower(), value) for name, value in given]
    own = [value for name, value in low if name == _POLICY_HEADER]
    policy = own[0] if len(own) == 1 and own[0] in POLICIES else POLICY.encode()
    kept = [pair for pair in low if pair[0] not in _OURS]
    kept += [*FIXED, (_POLICY_HEADER, policy)]
    if all(name != b"cache-control" for name, _ in kept):
        kept.append((b"cache-control", b"no-store"))
    return kept


def with_headers(send: Send) -> Send:
    """Return a way out that adds the security headers."""

    async def guarded(message: Message) -> None:
        if message["type"] == "http.response.start":
            message = {**message, "headers": secured(message.get("headers", ()))}
        await send(message)

    return guarded


def said_length(headers: Headers) -> int:
    """Return the length that a request claims, bytes; too long if no number."""
    length = headers.get("content-length", "0")
    return int(length) if length.isdigit() else LONGEST_BODY_BYTES + 1


def limited(receive: Receive) -> Receive:
    """Return a way in that counts: a chunked body does not say its length."""
    seen = 0

    async def counted() -> Message:
        nonlocal seen
        message = await receive()
        seen += len(message.get("body", b""))
        if seen > LONGEST_BODY_BYTES:
            raise HTTPException(413, "more than 1 MB")
        return message

    return counted
