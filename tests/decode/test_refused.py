"""A bad frame is data: it is refused with a reason and never raises."""

from functools import lru_cache
from pathlib import Path

import cantools.database
import pytest
from cantools.database.can import Database
from cantools.database.errors import DecodeError
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.decode.descriptions import Form, read_description
from logger.decode.frames import Reason, Rejected
from tests.builders import LAW, dbc, decoded, described

CAN = Path(__file__).parents[1] / "data" / "can"
FILES = ("ev-powertrain.dbc", "n2k.dbc")
TEXTS = {name: (CAN / name).read_text(encoding="utf-8") for name in FILES}
RECORDED = {name: read_description(text, Form.DBC) for name, text in TEXTS.items()}
NESTED = dbc(["M : 0|8@1+ (1,0)", "m0 : 8|16@1+ (0.1,0)", "m7 : 8|8@1- (2,1)"])
FLOAT_SELECTOR = dbc(["M : 0|32@1- (1,0)", "m0 : 32|8@1+ (1,0)"]) + (
    "SIG_VALTYPE_ 256 S0 : 1;\n"
)


@lru_cache
def cantools_database(text: str) -> Database:
    """Return a DBC text as cantools reads it."""
    database = cantools.database.load_string(text, "dbc")
    assert isinstance(database, Database)
    return database


def by_cantools(text: str, name: str, data: bytes) -> tuple[object, ...]:
    """Return what cantools itself makes of a payload, in the order of its signals."""
    database = cantools_database(text)
    message = database.get_message_by_name(name)
    values = database.decode_message(
        message.frame_id, data[: message.length], decode_choices=False
    )
    assert isinstance(values, dict)
    return tuple(values.get(signal.name) for signal in message.signals)


@pytest.mark.parametrize("payload", ["", "01", "01 02 03 04 05 06 07"])
def test_a_short_frame_is_refused_with_its_bytes(payload: str) -> None:
    data = bytes.fromhex(payload)
    text = dbc(["0|8@1+ (1,0)"])  # the signal would fit, the message does not
    assert decoded(text, payload) == Rejected(Reason.SHORT, data)


def test_an_unknown_selector_is_refused_with_its_bytes() -> None:
    data = bytes.fromhex("05 01 02 03 04 05 06 07")
    assert decoded(NESTED, data.hex()) == Rejected(Reason.UNDECODABLE, data)


@pytest.mark.parametrize(
    "payload",
    [
        "00 00 C0 7F 00 00 00 00",  # not a number
        "00 00 80 7F 00 00 00 00",  # infinity
    ],
)
def test_a_selector_without_a_value_is_refused(payload: str) -> None:
    data = bytes.fromhex(payload)
    assert decoded(FLOAT_SELECTOR, payload) == Rejected(Reason.UNDECODABLE, data)


@pytest.mark.parametrize("name", FILES)
@LAW
@given(data=st.binary(max_size=64))
def test_no_bytes_make_a_decoder_of_a_real_bus_raise(name: str, data: bytes) -> None:
    for message in RECORDED[name]:
        answer = message.decode(data)
        if isinstance(answer, Rejected):
            assert answer.data == data
        else:
            assert len(answer) == len(message.signals)


@pytest.mark.parametrize("text", [NESTED, FLOAT_SELECTOR], ids=["nested", "float"])
@settings(LAW, max_examples=300)
@given(data=st.binary(max_size=12))
def test_no_bytes_make_a_decoder_with_a_selector_raise(text: str, data: bytes) -> None:
    answer = described(text).decode(data)
    assert isinstance(answer, Rejected) or len(answer) == 2 + text.count(" m7 ")


@pytest.mark.parametrize("name", FILES)
@settings(LAW, max_examples=40)
@given(data=st.binary(min_size=64, max_size=64))
def test_a_real_bus_is_decoded_as_cantools_decodes_it(name: str, data: bytes) -> None:
    for message in RECORDED[name]:
        assert message.decode(data) == by_cantools(TEXTS[name], message.name, data)


@settings(LAW, max_examples=300)
@given(selector=st.integers(0, 8), rest=st.binary(min_size=7, max_size=7))
def test_selected_signals_are_decoded_as_cantools_decodes_them(
    selector: int, rest: bytes
) -> None:
    data = bytes([selector]) + rest
    try:
        expected: tuple[object, ...] | Rejected = by_cantools(NESTED, "Box", data)
    except DecodeError:
        expected = Rejected(Reason.UNDECODABLE, data)
    assert described(NESTED).decode(data) == expected
