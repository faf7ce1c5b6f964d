"""Devices that describe themselves: the chain, and values with their scale factors.

The images and their meaning were computed by an independent SunSpec reader.
"""

import struct
from collections.abc import Mapping, Sequence

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.decode.frames import Reason, Rejected
from logger.decode.modbus import MOST_WORDS, Ask, Reply, Talk, Value
from logger.decode.sunspec import MARKER, MOST_MODELS, SunSpecForm
from logger.van.device_forms import sunspec_models
from tests.builders import LAW

STRINGS = """
00A0 0030 FFFE FFFF 0000 0000 0000 0000 0002 FFFF
0001 524F 4F46 0000 0000 0000 0000 0000 0000 032C 04A2 03C3 0012 D687 FFFF FFFF
002F 0004 0000 0000
0002 4157 4E49 4E47 2D4C 0000 0000 0000 0000 028F 03D8 0285 0003 9447 FFFF FFFF
8000 0005 0000 0080
"""


def words(text: str) -> tuple[int, ...]:
    """Return registers as they are written in a manual."""
    return tuple(int(word, 16) for word in text.split())


def image(number: int, length: int, points: Mapping[int, int]) -> tuple[int, ...]:
    """Return a model in which only some registers are implemented."""
    found = [number, length] + [0xFFFF] * length
    for at, word in points.items():
        found[at] = word
    return tuple(found)


BATTERY = image(802, 62, {
    3: 3600, 53: 1,          # 36 kWh
    11: 835, 56: 0xFFFF,     # 83.5 %
    34: 3500, 59: 0xFFFF,    # 350.0 V
    44: 0xFE3B, 61: 0xFFFF,  # -45.3 A
    47: 0xF9CF, 63: 1,       # -15850 W
    16: 3, 37: 0xFFFF, 60: 0xFFFD,
})  # fmt: skip


def values(given: Sequence[int], *fields: str) -> tuple[Value, ...] | Rejected:
    """Return what a model tells."""
    form = SunSpecForm("left", sunspec_models(), fields)
    return form.decode(Reply("left", 3, 40_070, tuple(given)).line())


def test_two_inputs_of_a_box_are_told_apart() -> None:
    points = ("IDStr", "DCA", "DCV", "DCW", "DCWH", "Tmp", "DCSt")
    names = [f"strings.{number}.{point}" for number in (1, 2) for point in points]
    assert values(words(STRINGS), *names) == (
        *("ROOF", 8.12, 118.6, 963, 1_234_567, 47, 4),
        # Its temperature is not implemented; 5 is throttled.
        *("AWNING-L", 6.55, 98.4, 645, 234_567, None, 5),
    )
    assert values(words(STRINGS), "strings.N", "strings.2.DCEvt") == (2, 0x80)
    assert values(words(STRINGS), "strings.1.Tms", "strings.3.DCA") == (None, None)


def test_a_battery_is_scaled_by_its_factors() -> None:
    names = ("SoC", "V", "A", "W", "WHRtg", "ChaSt")
    found = values(BATTERY, *(f"battery.{name}" for name in names))
    assert found == (83.5, 350.0, -45.3, -15_850, 36_000, 3)


def test_what_is_not_implemented_is_missing() -> None:
    # A value, a value whose factor is missing, and both.
    assert values(BATTERY, "battery.CellVMax", "battery.SoH") == (None, None)
    bare = image(802, 62, {13: 990, 58: 0x8000})
    assert values(bare, "battery.SoH") == (None,)
    absurd = image(802, 62, {13: 990, 58: 11})
    assert values(absurd, "battery.SoH") == (None,)


def test_inverters_of_both_forms_have_the_same_names() -> None:
    names = ("inverter.W", "inverter.Hz", "inverter.WH", "inverter.St", "inverter.DCA")
    whole = image(103, 50, {
        14: 0xFF38, 15: 1, 16: 5998, 17: 0xFFFE, 24: 0, 25: 0, 26: 0, 38: 4,
        27: 150, 28: 0xFFFF,
    })  # fmt: skip
    # A counter at 0 is not implemented; an input that delivers nothing is.
    assert values(whole, *names) == (-2000, 59.98, None, 4, 15.0)
    floats = dict(zip((22, 24, 32, 34), (-2000.0, 59.5, 12.5, 15.0), strict=True))
    given = image(111, 60, {48: 4})
    for at, value in floats.items():
        pair = struct.unpack(">2H", struct.pack(">f", value))
        given = (*given[:at], *pair, *given[at + 2 :])
    assert values(given, *names) == (-2000, 59.5, 12.5, 4, 15.0)
    assert values(given, "inverter.VA") == (None,)  # all ones are no number


def test_a_device_tells_who_made_it() -> None:
    given = (1, 66, *words("4F57 4E00"), *[0] * 62, 7, 0)
    assert values(given, "common.Mn", "common.Md", "common.DA") == ("OWN", None, 7)


@pytest.mark.parametrize("given", [(), (2, 5, 0), (0xFFFF, 0)])
def test_a_model_that_is_not_known_is_refused(given: tuple[int, ...]) -> None:
    found = values(given, "battery.V")
    assert isinstance(found, Rejected)
    assert found.reason is Reason.UNDECODABLE


def test_a_model_that_breaks_off_tells_what_it_has() -> None:
    assert values(BATTERY[:40], "battery.ChaSt", "battery.W", "battery.V") == (
        3, None, None,
    )  # fmt: skip


def test_only_the_lines_of_its_device_are_taken() -> None:
    form = SunSpecForm("left", sunspec_models(), ())
    assert form.takes(b"left 3 0 00")
    assert not form.takes(b"right 3 0 00")
    assert form.decode(b"left nonsense") == Rejected(
        Reason.UNDECODABLE, b"left nonsense"
    )


def held(base: int, *models: Sequence[int]) -> dict[int, int]:
    """Return the registers of a device whose chain begins there."""
    chain = [*MARKER, *(word for model in models for word in model), 0xFFFF, 0]
    return {base + number: word for number, word in enumerate(chain)}


def answer(device: Mapping[int, int], ask: Ask) -> tuple[int, ...] | None:
    """Return what a device answers; None where it refuses."""
    found = [device.get(ask.address + n) for n in range(ask.count)]
    return (
        tuple(word for word in found if word is not None)
        if None not in found
        else (None)
    )


def talked(talk: Talk, device: Mapping[int, int], most: int = 200) -> list[Reply]:
    """Return what a device says until its round is over or something is wrong."""
    found = []
    for _ in range(most):
        ask = talk.ask()
        if ask is None or talk.trouble:
            break
        assert ask.function == 3
        assert ask.count <= MOST_WORDS
        reply = talk.take(answer(device, ask))
        if reply is not None:
            found.append(reply)
    return found


def talk_of(*fields: str) -> Talk:
    """Return what is asked of a device, for some values."""
    return SunSpecForm("left", sunspec_models(), fields).talk()


COMMON = (1, 66, *[0] * 66)


@pytest.mark.parametrize("base", [40_000, 0, 50_000])
def test_the_chain_is_found_and_walked_once(base: int) -> None:
    device = held(base, COMMON, words(STRINGS), BATTERY)
    talk = talk_of("strings.1.DCA", "battery.V")
    first = talked(talk, device)
    assert [reply.words for reply in first] == [words(STRINGS), BATTERY]
    talk.rest()
    # The battery has 64 registers: one more question than models.
    asked = []
    while (ask := talk.ask()) is not None:
        asked.append(ask)
        talk.take(answer(device, ask))
    at = base + 2 + len(COMMON)
    assert asked == [
        Ask(3, at, 50),
        Ask(3, at + 50, MOST_WORDS),
        Ask(3, at + 50 + MOST_WORDS, 4),
    ]


def test_of_two_equal_models_the_first_is_taken() -> None:
    device = held(0, BATTERY, image(802, 62, {}))
    assert [reply.words for reply in talked(talk_of("battery.V"), device)] == [BATTERY]


def test_models_that_nobody_wants_are_not_asked_for() -> None:
    device = held(0, COMMON, BATTERY)
    replies = talked(talk_of("common.DA"), device)
    assert [reply.words for reply in replies] == [COMMON]


@pytest.mark.parametrize(("device", "trouble"), [
    ({}, "no SunSpec marker at 40000, 0, 50000"),
    (held(1), "no SunSpec marker at 40000, 0, 50000"),
    (held(0), "none of the models 802"),
    (held(0, COMMON), "none of the models 802"),
    # the chain ends without an end, leads nowhere, or never ends
    ({0: MARKER[0], 1: MARKER[1]}, "none of the models 802"),
    ({0: MARKER[0], 1: MARKER[1], 2: 7, 3: 0xFFFF}, "none of the models 802"),
    ({0: MARKER[0], 1: MARKER[1], 2: 802, 3: 0xFFFD}, "none of the models 802"),
    (held(0, *[(7, 0)] * (MOST_MODELS + 1)), "none of the models 802"),
    # a model that is announced and not given
    ({0: MARKER[0], 1: MARKER[1], 2: 802, 3: 62, 66: 0xFFFF, 67: 0},
     "it refuses the model 802"),
])  # fmt: skip
def test_what_is_wrong_with_a_device_is_told(
    device: dict[int, int], trouble: str
) -> None:
    talk = talk_of("battery.V")
    assert talked(talk, device) == []
    assert talk.trouble == trouble
    talk.forget()
    assert talk.trouble == ""
    assert talk.ask() == Ask(3, 40_000, 2)
    assert talked(talk, held(40_000, BATTERY)) != []


WORDS = st.lists(st.integers(0, 0xFFFF), max_size=130)
NUMBERS = st.sampled_from([1, 101, 103, 111, 160, 802, 7])


@LAW
@given(NUMBERS, WORDS)
def test_no_words_make_a_model_raise(number: int, rest: list[int]) -> None:
    found = values([number, *rest], "battery.V", "strings.2.DCWH", "inverter.W")
    assert isinstance(found, Rejected) or len(found) == 3


@LAW
@given(st.data())
def test_no_answer_makes_a_talk_raise_or_ask_beyond_the_last_register(
    data: st.DataObject,
) -> None:
    talk = talk_of("battery.V", "strings.1.DCA")
    for _ in range(20):
        ask = talk.ask()
        if ask is None:
            talk.rest()
            continue
        assert ask.address + ask.count <= 0x10000
        word = st.sampled_from([*MARKER, 802, 160, 0xFFFF, 0, 62])
        given = st.tuples(*[word] * ask.count)
        talk.take(data.draw(st.none() | given | st.just(MARKER[: ask.count])))
        if talk.trouble:
            talk.forget()


def test_a_model_names_all_that_it_can_tell() -> None:
    strings = next(each for each in sunspec_models() if each.group == "strings")
    names = list(strings.names(parts=2))
    assert names[:3] == ["strings.Evt", "strings.N", "strings.TmsPer"]
    assert "strings.2.DCWH" in names
    assert len(names) == 3 + 2 * 10
