"""A DBC that lacks the sections that may be empty is read, and that is said."""

import pytest

from logger.decode.descriptions import DescriptionError, Form, describe
from tests.builders import decoded

MESSAGE = 'BO_ 256 Box: 8 Lid\n SG_ S0 : 0|8@1+ (0.5,0) [0|0] "" Lid\n'
SYMBOLS = 'VERSION ""\n\nNS_ :\n  NS_DESC_\n  BO_TX_BU_\n\n'


@pytest.mark.parametrize(
    ("text", "remarks"),
    [
        (SYMBOLS + MESSAGE, ("BS_ and BU_ missing; read as if there and empty",)),
        (SYMBOLS + "BU_: Lid\n" + MESSAGE, ()),  # its end can be told
        (SYMBOLS + "BS_:\n" + MESSAGE, ()),
        (MESSAGE, ()),  # no list whose end is missing
    ],
)
def test_missing_sections_are_put_in_where_they_must(
    text: str, remarks: tuple[str, ...]
) -> None:
    assert describe(text, Form.DBC).remarks == remarks


def test_a_mended_description_decodes() -> None:
    assert decoded(SYMBOLS + MESSAGE, "07 00 00 00 00 00 00 00") == {"S0": 3.5}


def test_only_what_is_missing_is_put_in() -> None:
    # Its BU_ stands at the end, where cantools does not find the end of NS_.
    remarks = describe(SYMBOLS + MESSAGE + "\nBU_: Lid\n", Form.DBC).remarks
    assert remarks == ("BS_ missing; read as if there and empty",)


@pytest.mark.parametrize(
    "text",
    [
        SYMBOLS + "BO_ 256 2Box: 8 Lid\n",
        SYMBOLS + "BS_:\nBU_:\nBO_ 256 2Box: 8 Lid\n",
        "BS_ nothing in it is a section with content",
    ],
)
def test_what_is_broken_otherwise_is_told_as_it_stands(text: str) -> None:
    with pytest.raises(
        DescriptionError, match=f"line {1 + text.count(chr(10), 0, -1)}"
    ):
        describe(text, Form.DBC)
