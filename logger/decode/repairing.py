"""A DBC without the sections that may be empty, mended.

Hand-written descriptions often lack BS_ (bit timing) and BU_ (who sends), which say
nothing that is needed. Where the list of NS_ runs straight into the first message,
cantools cannot tell its end and refuses the whole file.
"""

import re
from dataclasses import dataclass

EMPTY_SECTIONS = ("BS_", "BU_")

FIRST_CONTENT = re.compile(
    r"^[ \t]*(?:VAL_TABLE_|BO_|CM_|BA_DEF_|EV_)[ \t]+\S", re.MULTILINE
)
"""The first line with content after the list of NS_, whose lines are single words."""


@dataclass(frozen=True, slots=True)
class Repaired:
    """A DBC with the missing sections put in.

    Attributes:
        text: What can be read.
        remark: What was done, a sentence.
    """

    text: str
    remark: str


def repair_sections(text: str) -> Repaired | None:
    """Return a DBC with its missing empty sections; None where none is missing."""
    missing = [
        name
        for name in EMPTY_SECTIONS
        if not re.search(rf"^[ \t]*{name}[ \t]*:", text, re.MULTILINE)
    ]
    content = FIRST_CONTENT.search(text)
    if not missing or content is None:
        return None
    put_in = "".join(f"{name}:\n\n" for name in missing)
    place = content.start()
    names = " and ".join(missing)
    return Repaired(
        text=text[:place] + put_in + text[place:],
        remark=f"{names} missing; read as if there and empty",
    )
