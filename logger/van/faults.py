"""What is wrong with a van file, in words a builder can act on.

Turns the checker's findings into faults: the place, what was found, what is allowed,
and the nearest known key. Knows no meaning beyond the single key.
"""

import difflib
from collections.abc import Iterable

from pydantic.fields import FieldInfo
from pydantic_core import ErrorDetails

from logger.errors import Fault
from logger.van.section import Section

LONGEST_SHOWN = 60


def shown(value: object) -> str:
    """Return a value as it is quoted in a message, cut to one short line."""
    try:
        text = repr(value) if isinstance(value, str) else str(value)
    except (ValueError, RecursionError):
        # Python prints neither thousands of digits nor thousands of levels.
        text = "something too large to show"
    if isinstance(value, bool):
        text = text.lower()
    text = " ".join(text.split())
    return text if len(text) <= LONGEST_SHOWN else text[: LONGEST_SHOWN - 1] + "…"


def closest(word: str, known: Iterable[str | None]) -> str | None:
    """Return the known word that was probably meant, or None."""
    choices = sorted(each for each in known if each is not None)
    close = difflib.get_close_matches(word, choices, n=1, cutoff=0.55)
    return close[0] if close else None


def nearest(word: str, known: Iterable[str | None]) -> str:
    """Return a sentence that names the nearest known word, or all of them."""
    choices = sorted(each for each in known if each is not None)
    meant = closest(word, choices)
    if meant:
        return f"The nearest known is {meant}."
    return "Known are " + ", ".join(choices) + "." if choices else "None is known."


def finding_fault(where: str, model: type[Section], finding: ErrorDetails) -> Fault:
    """Return one finding of the checker as a fault.

    Args:
        where: The section and key.
        model: What the section should be.
        finding: What the checker found.
    """
    key = str(finding["loc"][0]) if finding["loc"] else ""
    if finding["type"] == "extra_forbidden":
        fix = f"There is no such key. {nearest(key, model.model_fields)}"
        return Fault(where, shown(finding["input"]), fix)
    if key not in model.model_fields:
        return Fault(where, shown(finding["input"]), "Write keys and values here.")
    saw = "nothing" if finding["type"] == "missing" else shown(finding["input"])
    return Fault(where, saw, f"Give {allowed(model.model_fields[key])}.")


def allowed(info: FieldInfo) -> str:
    """Return what a key may hold: its help text and its limits."""
    limits = [
        f"{word} {getattr(rule, name):g}"
        for rule in info.metadata
        for name, word in (
            ("gt", "above"),
            ("ge", "at least"),
            ("lt", "below"),
            ("le", "at most"),
        )
        if hasattr(rule, name)
    ]
    return ", ".join([f"{info.description} ({kind(info)})", *limits])


def kind(info: FieldInfo) -> str:
    """Return the type of a key in plain words."""
    text = str(info.annotation)
    if "tuple" in text and "str |" in text:
        return "a text or a list"
    if "Literal[" in text:
        words = text.split("Literal[")[1].split("]")[0].replace("'", '"')
        return "one of " + words
    for part, word in (
        ("tuple", "a list"),
        ("dict", "a table"),
        ("bool", "true or false"),
        ("float", "a number"),
        ("int", "a whole number"),
    ):
        if part in text:
            return word
    return "a text"
