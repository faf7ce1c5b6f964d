"""Live and bulk unpackers say what cantools says, to the last bit and in its types."""

import csv
import zipfile

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.decode.descriptions import (
    DescribedMessage,
    DescriptionError,
    Form,
    read_description,
)
from logger.decode.frames import Reason, Rejected
from tests.builders import LAW, dbc, described
from tests.decode.yardstick import (
    HAS_ROAD,
    NETWORKS,
    differences,
    first_difference,
    messages_of,
    networks,
    road_descriptions,
)

NETWORK_PAYLOADS = 1000
ROAD_PAYLOADS = 24
"""A message each. `python -m tests.decode.exhaust 5000` takes as many as one likes."""


@pytest.mark.parametrize("number", sorted(networks()))
def test_a_network_is_unpacked_as_cantools_does(number: str) -> None:
    messages = messages_of(networks()[number])
    if messages is None:
        return  # which these are is held by the next test
    assert first_difference(messages, NETWORK_PAYLOADS) is None


def test_the_networks_that_are_refused_are_those_of_the_manifest() -> None:
    with zipfile.ZipFile(NETWORKS) as archive:
        rows = list(csv.DictReader(archive.read("manifest.csv").decode().splitlines()))
    told = {row["file"].partition("-")[2][:3] for row in rows if row["strict"] != "ok"}
    refused = {
        number for number in networks() if messages_of(networks()[number]) is None
    }
    assert (len(rows), refused) == (61, told)


@pytest.mark.skipif(not HAS_ROAD, reason="opendbc: Python 3.11 and 3.12, tests/check")
@pytest.mark.parametrize("part", range(8))
def test_road_vehicles_are_unpacked_as_cantools_does(part: int) -> None:
    files = road_descriptions()
    read = 0
    for number in range(part, len(files), 8):
        messages = messages_of(files[number]) or ()
        found = first_difference(messages, ROAD_PAYLOADS, seed=number)
        assert found is None, f"file {number}, {found}"
        read += len(messages)
    assert read > 100


FLOATS = st.sampled_from([(16, 3), (32, 1), (64, 2)])
SCALES = st.sampled_from(
    [
        "1",
        "2",
        "-3",
        "0.1",
        "-0.25",
        "1.0",
        "1e3",
        "0",
        "1e300",
        "1e308",
        "-1e-300",
        "7e9",
    ]
)
OFFSETS = st.sampled_from(["0", "-40", "0.5", "-0.0", "1e308", "3", "1E12"])


@st.composite
def boxes(draw: st.DrawFn) -> str:
    """Return a DBC of one message with signals anywhere in it, side by side."""
    length = draw(st.sampled_from([1, 2, 5, 8, 8, 8, 12, 64]))
    is_big = draw(st.booleans())
    layouts: list[str] = []
    at = 0
    while len(layouts) < 12:
        at += draw(st.integers(0, 9))
        bits = draw(st.one_of(st.integers(1, 16), st.integers(1, 64)))
        if at + bits > 8 * length:
            break
        start = at ^ 7 if is_big else at  # bits 7..0 in each byte; counted from the top
        sign = draw(st.sampled_from("+-"))
        scale, offset = draw(SCALES), draw(OFFSETS)
        layouts.append(f"{start}|{bits}@{0 if is_big else 1}{sign} ({scale},{offset})")
        at += bits
    return dbc(layouts, length=length)


@settings(LAW, max_examples=400)
@given(text=boxes(), data=st.lists(st.binary(max_size=70), min_size=1, max_size=8))
def test_any_layout_is_unpacked_as_cantools_does(text: str, data: list[bytes]) -> None:
    assert list(differences(described(text), data)) == []


@st.composite
def selections(draw: st.DrawFn) -> str:
    """Return a DBC of signals of four bits that select each other anyhow."""
    count = draw(st.integers(2, 7))
    layouts, ties = [], []
    for number in range(count):
        kind = draw(st.sampled_from(["M", "m0M", "m0", "m0", ""]))
        sign, scale = draw(st.sampled_from("+-")), draw(st.sampled_from(["1", "0.5"]))
        layouts.append(f"{kind} : {4 * number}|4@1{sign} ({scale},0)")
        low, more = draw(st.integers(0, 5)), draw(st.integers(0, 4))
        if kind.startswith("m"):
            by = draw(st.integers(0, count - 1))
            ties.append(f"SG_MUL_VAL_ 256 S{number} S{by} {low}-{low + more};\n")
    return dbc(layouts) + "".join(ties)


@settings(LAW, max_examples=300)
@given(text=selections(), data=st.lists(st.binary(min_size=8, max_size=8), max_size=8))
def test_any_selection_is_unpacked_as_cantools_does(
    text: str, data: list[bytes]
) -> None:
    try:
        message = described(text)
    except DescriptionError:
        return  # cantools refuses it, or it is too deep
    low = [bytes(byte & 0x33 for byte in each) for each in data]
    assert list(differences(message, data + low)) == []


@LAW
@given(text=boxes(), data=st.binary(max_size=80))
def test_no_bytes_make_an_unpacker_raise(text: str, data: bytes) -> None:
    answer = described(text).decode(data)
    assert isinstance(answer, Rejected) or len(answer) == text.count(" SG_ ")


def odd(layouts: list[str], length: int = 8, more: str = "") -> DescribedMessage:
    """Return a message that is not often met."""
    return described(dbc(layouts, length=length) + more)


HALF = "SIG_VALTYPE_ 256 S0 : 3;\n"
SINGLE = "SIG_VALTYPE_ 256 S0 : 1;\n"
DOUBLE = "SIG_VALTYPE_ 256 S0 : 2;\n"
WITHIN = "SG_MUL_VAL_ 256 S1 S0 0-0;\nSG_MUL_VAL_ 256 S2 S1 2-5, 9-9;\n"
ODD = {
    "half in Intel order": odd(["3|16@1- (1,0)"], more=HALF),
    "half in Motorola order": odd(["4|16@0- (0.5,1)"], more=HALF),
    "single astride": odd(["5|32@1- (2,0)"], more=SINGLE),
    "double": odd(["0|64@1- (1,0)"], more=DOUBLE),
    "double that overflows": odd(["0|64@1- (1e300,0)"], more=DOUBLE),
    "a float of no such width": odd(["0|24@1- (1,0)"], more=SINGLE),
    "nine bytes wide": odd(["4|64@1+ (0.1,0)"], 10),
    "a hundred bits": odd(["0|100@1- (0.1,3)"], 16),
    "longer than a float": odd(["0|2000@1+ (0.5,0)"], 256),
    "whole numbers past 64 bits": odd(["0|64@1+ (1000,0)"]),
    "all 64 bits, scaled": odd(["0|64@1+ (0.5,0)"]),
    "a scale past 64 bits": odd(["0|8@1+ (1e30,0)"]),
    "a long whole scale": odd(["0|8@1+ (36028797018963969,0.5)"]),
    "an infinite scale": odd(["0|8@1+ (1e999,0)", "8|8@1+ (-1e999,0)"]),
    "an infinite offset": odd(["0|8@1- (1,-1e999)"]),
    "no signal": odd([], 3),
    "no byte": odd([], 0),
    "a scaled selector": odd(["M : 0|8@1+ (0.5,-2)", "m1 : 8|8@1+ (1,0)"]),
    "a negative selector": odd(["M : 0|8@1- (1,0)", "m3 : 8|8@1+ (1,0)"]),
    "a float selector": odd(
        ["M : 0|16@1- (1,0)", "m0 : 16|8@1+ (1,0)", "m1 : 24|8@1+ (1,0)"], more=HALF
    ),
    "a selector past all floats": odd(["M : 0|8@1+ (1e999,0)", "m0 : 8|8@1+ (1,0)"]),
    "one name for two kinds": described(
        dbc(["M : 0|4@1+ (1,0)", "m0 : 8|8@1+ (1,0)", "m1 : 8|16@1+ (0.1,0)"]).replace(
            " S2 ", " S1 "
        )
    ),
    "a selector that selects itself": odd(
        ["m0M : 0|4@1+ (1,0)", "8|8@1+ (1,0)"], more="SG_MUL_VAL_ 256 S0 S0 0-0;\n"
    ),
    "selectors that select each other": odd(
        ["m0M : 0|4@1+ (1,0)", "m0M : 8|8@1+ (1,0)"],
        more="SG_MUL_VAL_ 256 S0 S1 0-0;\nSG_MUL_VAL_ 256 S1 S0 0-0;\n",
    ),
    "selected by nobody": odd(["m0 : 0|4@1+ (1,0)", "8|8@1+ (1,0)"]),
    "a selector of nothing": odd(["M : 0|8@1+ (1,0)", "8|8@1+ (1,0)"]),
    "many cases": odd(
        ["M : 0|8@1+ (1,0)", *(f"m{n * n} : {8 + n}|7@1+ (0.5,0)" for n in range(12))]
    ),
    "a selector within another": odd(
        ["M : 0|3@1+ (1,0)", "m0M : 3|5@1+ (1,0)", "m2 : 8|8@1+ (0.1,0)"], more=WITHIN
    ),
    "two selectors side by side": odd(
        [
            "M : 0|2@1+ (1,0)",
            "M : 2|2@1+ (1,0)",
            "m0 : 8|8@1+ (1,0)",
            "m1 : 16|8@1+ (1,0)",
        ],
        more="SG_MUL_VAL_ 256 S2 S0 0-2;\nSG_MUL_VAL_ 256 S3 S1 1-3;\n",
    ),
    "a selector with a named value alone": odd(
        ["M : 0|2@1+ (1,0)", "m0 : 8|8@1+ (1,0)"], more='VAL_ 256 S0 3 "off" ;\n'
    ),
}


@pytest.mark.parametrize("message", ODD.values(), ids=ODD.keys())
def test_an_odd_layout_is_unpacked_as_cantools_does(message: DescribedMessage) -> None:
    assert first_difference([message], 500) is None


@pytest.mark.parametrize("message", ODD.values(), ids=ODD.keys())
@LAW
@given(data=st.binary(max_size=300))
def test_no_bytes_make_an_odd_layout_raise(
    message: DescribedMessage, data: bytes
) -> None:
    assert list(differences(message, [data])) == []


def test_a_float_of_no_such_width_is_refused_with_its_bytes() -> None:
    data = bytes(8)
    answer = ODD["a float of no such width"].decode(data)
    assert answer == Rejected(Reason.UNDECODABLE, data)


def chain(depth: int) -> str:
    """Return a DBC of selectors that each lie within the choice of the one before."""
    layouts = ["M : 0|4@1+ (1,0)"]
    layouts += [f"m0M : {4 * n}|4@1+ (1,0)" for n in range(1, depth)]
    layouts += [f"m0 : {4 * depth}|4@1+ (1,0)"]
    ties = [f"SG_MUL_VAL_ 256 S{n} S{n - 1} 0-0;\n" for n in range(1, depth + 1)]
    return dbc(layouts) + "".join(ties)


def test_five_selectors_within_one_another_are_read() -> None:
    assert first_difference([described(chain(5))], 500) is None


def test_selectors_too_deep_are_refused_with_the_name_of_the_message() -> None:
    with pytest.raises(DescriptionError, match=r"message Box: .* too deep"):
        read_description(chain(6), Form.DBC)


def test_no_word_of_a_description_gets_into_an_unpacker() -> None:
    text = dbc(["0|8@1+ (0.5,0)"]).replace("S0", "__import__")
    (message,) = read_description(text, Form.DBC)
    assert message.signals == ("__import__",)
    code = message.decode.__code__
    used = {*code.co_names, *code.co_varnames}
    ours = {"len", "short", "refuse", "ValueError", "OverflowError", "data", "x", "t0"}
    assert used <= ours
