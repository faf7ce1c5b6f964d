"""Text lines of a serial port: cut into fields, or refused with a reason."""

from functools import reduce
from operator import xor

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.decode.checksums import Checksum
from logger.decode.frames import Reason, Rejected
from logger.decode.text_lines import LineForm, find_form
from tests.builders import LAW

COLUMNS = LineForm("main", "", ",", Checksum.NONE, ("v", "i", "soc"), ("i", "v"))
PAIRS = LineForm("main", "", "\t", Checksum.NONE, None, ("V", "I"))
SUMMED = LineForm("main", "", ",", Checksum.XOR, ("v", "i"), ("v", "i"))


@pytest.mark.parametrize(("line", "texts"), [
    (b"12.5,-3.1,80", ("-3.1", "12.5")),      # in the order of the wanted fields
    (b" 12.5 ,\t-3.1 , 80", ("-3.1", "12.5")),
    (b"12.5,-3.1,80,7,8", ("-3.1", "12.5")),  # the rest is the device's own affair
    (b"12.5,,80", (None, "12.5")),            # an empty field is no value
    (b",,", (None, None)),
    (b"0,0,0", ("0", "0")),                   # a zero is one
    (b"12.5,\xff,80", ("\ufffd", "12.5")),
])  # fmt: skip
def test_fields_are_told_by_their_place(
    line: bytes, texts: tuple[str | None, ...]
) -> None:
    assert COLUMNS.decode(line) == texts


@pytest.mark.parametrize("line", [b"", b"12.5", b"12.5,-3.1", b"12.5;-3.1;80"])
def test_a_line_with_fewer_fields_than_described_is_refused(line: bytes) -> None:
    assert COLUMNS.decode(line) == Rejected(Reason.SHORT_LINE, line)


@pytest.mark.parametrize(("line", "texts"), [
    (b"V=12.5\tI=-3.1", ("12.5", "-3.1")),
    (b"I=-3.1\tV=12.5\tX=9", ("12.5", "-3.1")),  # in any order
    (b" V = 12.5 \tI=", ("12.5", None)),
    (b"I=-3.1", (None, "-3.1")),
    (b"V=1=2\tI", ("1=2", None)),                # the first = is the one
    (b"V=1\tV=2", ("2", None)),                  # the newest of two
    (b"v=1", (None, None)),                      # a key is told as it is written
    (b"", (None, None)),
])  # fmt: skip
def test_pairs_are_told_by_their_key(
    line: bytes, texts: tuple[str | None, ...]
) -> None:
    assert PAIRS.decode(line) == texts


@pytest.mark.parametrize("separator", [";", " ", "\t", " | ", "||"])
def test_a_separator_may_be_any_short_text(separator: str) -> None:
    form = LineForm("main", "", separator, Checksum.NONE, ("v", "i"), ("v", "i"))
    assert form.decode(f"12.5{separator}-3.1".encode()) == ("12.5", "-3.1")


@pytest.mark.parametrize(("line", "texts"), [
    # By hand: "1" 0x31, "," 0x2C, "2" 0x32; 31 ^ 2C = 1D, 1D ^ 32 = 2F.
    (b"1,2*2F", ("1", "2")),
    (b"1,2*2f", ("1", "2")),     # digits of either case
    # By hand: "9" 0x39 twice cancels out, "," 0x2C is left.
    (b"9,9*2C", ("9", "9")),
    # By hand: "*" 0x2A belongs to what is summed; 31 ^ 2C ^ 2A = 37.
    (b"1,*" b"*37", ("1", "*")),
])  # fmt: skip
def test_a_right_checksum_lets_a_line_pass(line: bytes, texts: tuple[str, ...]) -> None:
    assert SUMMED.decode(line) == texts


def test_the_published_sentence_has_the_same_sum() -> None:
    # NMEA 0183's published example of a GGA sentence, between $ and *.
    body = b"GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,"
    columns = ("kind", "time", "latitude")
    form = LineForm("fix", "GPGGA", ",", Checksum.XOR, columns, ("latitude",))
    assert form.decode(body + b"*47") == ("4807.038",)
    assert isinstance(form.decode(body + b"*48"), Rejected)


@pytest.mark.parametrize("line", [
    b"1,2*2E",       # another sum
    b"1,3*2F",       # another line
    b"1,2",          # none at all
    b"1,2*",
    b"1,2*F",
    b"1,2*2F ",
    b"1,2*02F",
    b"1,2*\xff\xfe",
    b"*",
    b"",
])  # fmt: skip
def test_a_wrong_checksum_is_refused_with_the_whole_line(line: bytes) -> None:
    assert SUMMED.decode(line) == Rejected(Reason.CHECKSUM, line)


def test_a_short_line_with_a_right_checksum_is_short() -> None:
    # By hand: "1" alone is 0x31.
    refused = SUMMED.decode(b"1*31")
    assert refused == Rejected(Reason.SHORT_LINE, b"1*31")


def test_keys_may_be_parted_from_values_by_anything() -> None:
    form = LineForm("main", "", ",", Checksum.NONE, None, ("V", "I"), equals="\t")
    # A box that writes one value a line: each line tells its own.
    assert form.decode(b"V\t12800") == ("12800", None)
    assert form.decode(b"I\t-310") == (None, "-310")


@pytest.mark.parametrize(("form", "line"), [
    # The published sentence: the $ is no part of what is summed.
    (LineForm("m", "$", ",", Checksum.XOR, ("kind", "fix"), ("fix",), skips=1),
     b"$GPGGA,,,,,,0,,,,,,,,*66"),
    (LineForm("m", "", ",", Checksum.CRC_16_MODBUS, None, ("a",), mark=";"),
     b"123456789;4B37"),
    (LineForm("m", "", ",", Checksum.CRC_16_CCITT, None, ("a",), mark=" "),
     b"123456789 29b1"),
])  # fmt: skip
def test_a_checksum_may_stand_elsewhere_and_be_longer(
    form: LineForm, line: bytes
) -> None:
    assert form.decode(line) == (None,)
    damaged = line[:2] + b"?" + line[3:]
    assert form.decode(damaged) == Rejected(Reason.CHECKSUM, damaged)
    assert isinstance(form.decode(line[:-2]), Rejected)


FORMS = st.builds(
    LineForm,
    name=st.just("main"),
    begins=st.sampled_from(["", "$"]),
    separator=st.sampled_from([",", "\t", "=", "ab", "\u00b0"]),
    checksum=st.sampled_from(Checksum),
    columns=st.sampled_from([None, ("a",), ("a", "b", "c")]),
    fields=st.sampled_from([(), ("a",), ("c", "a")]),
    equals=st.sampled_from(["=", ":"]),
    mark=st.sampled_from(["*", "::", "\u00b0"]),
    skips=st.integers(0, 3),
)


@LAW
@given(FORMS, st.binary(max_size=200), st.booleans())
def test_no_line_makes_decode_raise(
    form: LineForm, line: bytes, is_summed: bool
) -> None:
    if is_summed:
        line += b"*%02X" % reduce(xor, line, 0)
    found = form.decode(line)
    if isinstance(found, Rejected):
        assert found.data == line
    else:
        assert len(found) == len(form.fields)
        assert "" not in found


@LAW
@given(st.binary(max_size=60), st.integers(0, 7))
def test_one_flipped_bit_is_always_noticed(body: bytes, bit: int) -> None:
    line = body + b"*%02X" % reduce(xor, body, 0)
    for at in range(len(body)):
        broken = bytearray(line)
        broken[at] ^= 1 << bit
        assert SUMMED.decode(bytes(broken)) == Rejected(Reason.CHECKSUM, bytes(broken))


PRINTED = st.characters(min_codepoint=33, max_codepoint=126, exclude_characters=",")


@LAW
@given(
    st.lists(
        st.text(PRINTED, min_size=1),
        min_size=1, max_size=8,
    )
)  # fmt: skip
def test_what_a_box_writes_comes_back(texts: list[str]) -> None:
    names = tuple(f"f{number}" for number in range(len(texts)))
    form = LineForm("main", "", ",", Checksum.XOR, names, names)
    body = ",".join(texts).encode()
    line = body + b"*%02X" % reduce(xor, body, 0)
    assert form.decode(line) == tuple(texts)


NAMED = [
    LineForm(name, begins, ",", Checksum.NONE, None, ())
    for name, begins in (("fix", "$GP"), ("any", "$"), ("zwei", "\u00b5"))
]


@pytest.mark.parametrize(("line", "name"), [
    (b"$GPGGA,1", "fix"),          # the first that fits
    (b"$XX,1", "any"),
    (b"$", "any"),
    (b"\xc2\xb5V,1", "zwei"),      # as UTF-8 writes it
    (b"V=1", None),
    (b" $GP", None),
    (b"", None),
])  # fmt: skip
def test_the_form_of_a_line_is_the_first_that_it_begins_like(
    line: bytes, name: str | None
) -> None:
    form = find_form(NAMED, line)
    assert (form.name if form else None) == name


def test_an_empty_beginning_fits_every_line() -> None:
    assert find_form([COLUMNS], b"") is COLUMNS
    assert find_form([], b"1,2,3") is None
