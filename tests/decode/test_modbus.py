"""Registers of Modbus devices: questions, answers as lines, and what they mean."""

import math
import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.decode.frames import Reason, Rejected
from logger.decode.modbus import (
    MOST_WORDS,
    Ask,
    Kind,
    Register,
    RegisterForm,
    Reply,
    asks,
)
from tests.builders import LAW


def words(text: str) -> tuple[int, ...]:
    """Return registers as they are written in a manual."""
    return tuple(int(word, 16) for word in text.split())


# By hand, and by the struct module of Python for the floats.
@pytest.mark.parametrize(("register", "given", "value"), [
    (Register("x", 3, 0), "022B", 555),          # the specification's example, 6.3
    (Register("x", 4, 8), "000A", 10),           # and 6.4
    (Register("x", 3, 0), "FFFF", 65535),
    (Register("x", 3, 0, missing=frozenset({65535})), "FFFF", None),
    (Register("x", 3, 0, scale=0.1), "0FBC", 402.8),
    (Register("x", 3, 0, Kind.S16), "FFFF", -1),
    (Register("x", 3, 0, Kind.S16, missing=frozenset({-32768})), "8000", None),
    (Register("x", 3, 0, Kind.U32), "0012 D687", 1_234_567),
    (Register("x", 3, 0, Kind.U32, is_low_first=True), "D687 0012", 1_234_567),
    (Register("x", 3, 0, Kind.S32), "FFFF FFFE", -2),
    (Register("x", 3, 0, Kind.S32, is_low_first=True), "FFFE FFFF", -2),
    (Register("x", 3, 0, Kind.F32), "3FC0 0000", 1.5),
    (Register("x", 3, 0, Kind.F32, is_low_first=True), "0000 C010", -2.25),
    (Register("x", 3, 0, Kind.F32), "7FC0 0000", None),       # no number
    (Register("x", 3, 0, Kind.TEXT, length=4), "524F 4F46 0000 0000", "ROOF"),
    (Register("x", 3, 0, Kind.TEXT, length=2), "2020 2020", None),
    (Register("x", 3, 0, Kind.TEXT, length=1), "41FF", "A\ufffd"),
])  # fmt: skip
def test_words_mean_what_the_table_says(
    register: Register, given: str, value: float | str | None
) -> None:
    assert len(words(given)) == register.words
    found = register.value(words(given))
    assert found == (pytest.approx(value) if isinstance(value, float) else value)


TABLE = (
    Register("volts", 3, 100, scale=0.1),
    Register("amps", 3, 101, Kind.S16, scale=0.01),
    Register("energy", 3, 102, Kind.U32),
    Register("heat", 4, 100, Kind.S16, scale=0.1),
    Register("far", 3, 300),
)


def form(*fields: str) -> RegisterForm:
    """Return the device `left`, of which these are wanted."""
    return RegisterForm("left", TABLE, fields)


def test_an_answer_is_a_line_and_comes_back_from_it() -> None:
    reply = Reply("left", 3, 100, words("0FBC FF38"))
    assert reply.line() == b"left 3 100 0fbcff38"
    assert Reply.of(reply.line()) == reply


@pytest.mark.parametrize("line", [
    b"", b"left", b"left 3 100", b"left 3 100 0fb", b"left 3 100 0fbcff",
    b"left x 1 00", b"left 3 100 zzzz", b"left 3 100 0fbc 1", b"left 3  0fbc",
    b"left 3 100 0f\xffc",
])  # fmt: skip
def test_another_line_is_refused(line: bytes) -> None:
    assert form("volts").decode(line) == Rejected(Reason.UNDECODABLE, line)


def test_wanted_values_come_in_their_order() -> None:
    found = form("energy", "volts", "amps").decode(b"left 3 100 0fbcff380012d687")
    assert not isinstance(found, Rejected)
    assert list(found) == pytest.approx([1_234_567.0, 402.8, -2.0])


@pytest.mark.parametrize(("line", "values"), [
    (b"left 3 100 0fbc", (pytest.approx(402.8), None, None)),
    (b"left 3 101 ff380012", (None, None, None)),           # half of the energy
    (b"left 4 100 00fa", (None, None, pytest.approx(25.0))),
    (b"left 3 400 0000", (None, None, None)),
    (b"left 3 100 ", (None, None, None)),
])  # fmt: skip
def test_what_another_answer_holds_is_left_open(
    line: bytes, values: tuple[float | None, ...]
) -> None:
    assert form("volts", "energy", "heat").decode(line) == values


def test_only_the_lines_of_its_device_are_taken() -> None:
    assert form("volts").takes(b"left 3 100 0fbc")
    assert not form("volts").takes(b"leftmost 3 100 0fbc")
    assert not form("volts").takes(b"")


def test_neighbours_are_asked_for_together_and_nothing_else_is() -> None:
    assert asks(TABLE) == (Ask(3, 100, 4), Ask(3, 300, 1), Ask(4, 100, 1))
    assert asks(()) == ()
    assert asks([Register("a", 3, 10), Register("b", 3, 10)]) == (Ask(3, 10, 1),)


def test_a_long_stretch_is_asked_for_in_parts() -> None:
    long = [Register(str(n), 3, n) for n in range(MOST_WORDS + 5)]
    assert asks(long) == (Ask(3, 0, MOST_WORDS), Ask(3, MOST_WORDS, 5))


def test_a_round_asks_everything_once_and_begins_again() -> None:
    talk = form("volts", "amps", "far").talk()
    for _ in range(2):
        assert talk.ask() == Ask(3, 100, 2)
        assert talk.take((1, 2)) == Reply("left", 3, 100, (1, 2))
        assert talk.ask() == Ask(3, 300, 1)
        assert talk.take((3,)) == Reply("left", 3, 300, (3,))
        assert talk.ask() is None
        talk.rest()
    assert talk.trouble == ""


def test_what_a_device_refuses_is_not_asked_again_until_it_begins_anew() -> None:
    talk = form("volts", "far").talk()
    assert talk.take(None) is None
    assert talk.trouble == ""
    assert talk.ask() == Ask(3, 300, 1)
    talk.take((1,))
    talk.rest()
    assert talk.ask() == Ask(3, 300, 1)
    talk.forget()
    assert talk.ask() == Ask(3, 100, 1)


def test_a_device_that_refuses_everything_is_told() -> None:
    talk = form("volts", "amps").talk()
    talk.take(None)
    assert talk.trouble == "it refuses registers 100 to 101"
    assert talk.ask() is None


WORDS = st.lists(st.integers(0, 0xFFFF), max_size=130).map(tuple)


@LAW
@given(st.sampled_from([3, 4]), st.integers(0, 0xFFFF), WORDS)
def test_every_answer_comes_back_from_its_line(
    function: int, address: int, given: tuple[int, ...]
) -> None:
    reply = Reply("left", function, address, given)
    assert Reply.of(reply.line()) == reply


@LAW
@given(st.binary(max_size=80), st.booleans())
def test_no_bytes_make_a_decoder_raise(rest: bytes, is_ours: bool) -> None:
    line = b"left 3 100 " + rest.hex().encode() if is_ours else rest
    found = form("volts", "heat", "far").decode(line)
    assert isinstance(found, Rejected) or len(found) == 3


@LAW
@given(st.sampled_from([k for k in Kind if k is not Kind.TEXT]), st.binary(min_size=4))
def test_any_words_are_a_value_or_none(kind: Kind, data: bytes) -> None:
    register = Register("x", 3, 0, kind)
    found = register.value(struct.unpack_from(f">{register.words}H", data))
    assert found is None or (isinstance(found, float) and not math.isnan(found))
