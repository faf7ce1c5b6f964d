"""What the operating system and the libraries complain of, in a person's words."""

import errno
import os
import termios

from logger.errors import AmpledgerError

_FIXES = {
    errno.ENOENT: "Look whether it is plugged in, and under which name.",
    errno.ENODEV: "Look whether it is plugged in, and under which name.",
    errno.ENXIO: "Look whether it is plugged in, and under which name.",
    errno.EIO: "Look whether it is plugged in.",
    errno.ENETDOWN: "Bring the interface up.",
    errno.EACCES: "Let this user have it, often by the group dialout.",
    errno.EPERM: "Let this user have it, often by the group dialout.",
    errno.EBUSY: "Stop the other program that holds it.",
    errno.EAGAIN: "Stop the other program that holds it.",
    errno.EAFNOSUPPORT: "This computer knows no CAN; use one whose kernel does.",
}
"""What to do, by the operating system's number of the error."""

_WORDS = {
    # What a port answers that another program has locked; the system's own words for
    # it, "resource temporarily unavailable", tell nobody that.
    errno.EAGAIN: "another program holding it",
}
"""Where the operating system's words do not help."""


def error_number(err: BaseException) -> int | None:
    """Return the operating system's number of an error, or of what caused it."""
    # Neither library passes it on reliably: python-can has it as `error_code`, pyserial
    # leaves it out when a read fails; then it is in what they caught.
    seen: BaseException | None = err
    while seen is not None:
        for number in _numbers(seen):
            if number in errno.errorcode:
                return number
        seen = seen.__cause__ or seen.__context__
    return None


def _numbers(err: BaseException) -> list[int]:
    """Return what may be the operating system's number of an error."""
    places = [getattr(err, "errno", None), getattr(err, "error_code", None)]
    if isinstance(err, termios.error):
        places.append(err.args[0])
    return [number for number in places if isinstance(number, int)]


def reason_of(err: BaseException) -> str:
    """Return what went wrong in one line of plain words."""
    if isinstance(err, AmpledgerError):
        return str(err)
    number = error_number(err)
    if number is not None:
        return _WORDS.get(number) or os.strerror(number).lower()
    words = " ".join(str(err).split())
    if isinstance(err, OSError) or hasattr(err, "error_code"):
        return words or type(err).__name__
    # Nothing that a driver says of itself: the kind of error tells most.
    return f"{type(err).__name__}: {words}".rstrip(": ")


def fix_of(err: BaseException, otherwise: str) -> str:
    """Return what to do about it.

    Args:
        err: What was raised.
        otherwise: What to do where nothing better is known.
    """
    number = error_number(err)
    return otherwise if number is None else _FIXES.get(number, otherwise)
