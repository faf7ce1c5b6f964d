"""A description that would make a reader of bits run for ever is refused at once."""

import pytest

from logger.decode.descriptions import DescriptionError, Form, read_description
from tests.builders import dbc


@pytest.mark.parametrize("text", [
    dbc(["0|1699999999@1+ (1,0)"]),
    dbc(["0|8@1+ (1,0)"], length=899_999_999),
], ids=["signal", "message"])  # fmt: skip
def test_an_absurd_length_is_refused_before_it_is_tried(text: str) -> None:
    with pytest.raises(DescriptionError, match="absurd length"):
        read_description(text, Form.DBC)
