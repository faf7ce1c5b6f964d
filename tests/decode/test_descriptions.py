"""Descriptions are read, and frames find their message in them."""

import pytest

from logger.decode.descriptions import (
    DescribedMessage,
    DescriptionError,
    Form,
    Key,
    Match,
    MessageTable,
    clashes,
    message_key,
    read_description,
)
from tests.builders import dbc, described, frame

KCD = """<?xml version="1.0" encoding="UTF-8"?>
<NetworkDefinition xmlns="http://kayak.2codeornot2code.org/1.0">
  <Document name="van"/>
  <Bus name="drive">
    <Message id="0x123" name="Pack" length="4">
      <Signal name="current" offset="0" length="16" endianess="little">
        <Value type="signed" slope="0.1"/>
      </Signal>
    </Message>
  </Bus>
</NetworkDefinition>
"""

EXTENDED = 1 << 31  # bit 31 of the number marks a 29-bit identifier in a DBC
LAYOUT = ["0|8@1+ (1,0)"]
PLAIN = described(dbc(LAYOUT, 0x100))
ADDRESSED = described(dbc(LAYOUT, EXTENDED | 0x1806E5F4))
BROADCAST = described(dbc(LAYOUT, EXTENDED | 0x18FF50E5))


def table(message: DescribedMessage, match: Match) -> MessageTable:
    """Return a table of one message."""
    return MessageTable([(message_key(message, match), message)])


def test_a_kcd_description_reads() -> None:
    (message,) = read_description(KCD, Form.KCD)
    assert (message.name, message.signals) == ("Pack", ("current",))


def test_a_kcd_signal_is_decoded() -> None:
    (message,) = read_description(KCD, Form.KCD)
    # 0xFF38 = -200, in tenths
    assert message.decode(bytes.fromhex("38 FF 00 00")) == pytest.approx((-20.0,))


def test_messages_come_in_the_order_of_the_file() -> None:
    second = dbc(LAYOUT, 0x20).split("BU_:")[1].replace("Box", "Lid")
    messages = read_description(dbc(LAYOUT, 0x300) + second, Form.DBC)
    assert [message.name for message in messages] == ["Box", "Lid"]


@pytest.mark.parametrize(
    ("text", "form"),
    [
        ("BO_ what is this", Form.DBC),
        (dbc(["60|16@1+ (1,0)"]), Form.DBC),  # runs out of its 8 bytes
        (dbc(["0|16@1+ (1,0)", "8|16@1+ (1,0)"]), Form.DBC),  # two on the same bits
        (KCD[:200], Form.KCD),
        (dbc(LAYOUT), Form.KCD),
        (KCD, Form.DBC),
    ],
)
def test_a_broken_description_is_answered_in_one_line(text: str, form: Form) -> None:
    with pytest.raises(DescriptionError) as caught:
        read_description(text, form)
    assert "\n" not in str(caught.value)


def test_a_message_is_found_by_its_identifier() -> None:
    found = table(PLAIN, Match.IDENTIFIER).find(frame(0, "00", 0x100))
    assert found is PLAIN


@pytest.mark.parametrize("can_id", [0x101, 0x7FF])
def test_another_identifier_finds_nothing(can_id: int) -> None:
    assert table(PLAIN, Match.IDENTIFIER).find(frame(0, "00", can_id)) is None


def test_eleven_and_29_bits_of_the_same_number_are_different() -> None:
    wide = described(dbc(LAYOUT, EXTENDED | 0x100))
    assert table(wide, Match.IDENTIFIER).find(frame(0, "00", 0x100)) is None


@pytest.mark.parametrize(
    "can_id",
    [
        0x18FF50E5,
        0x18FF5027,  # another source address
        0x0CFF50E5,  # another priority
    ],
)
def test_a_group_is_found_whatever_its_source(can_id: int) -> None:
    assert table(BROADCAST, Match.GROUP).find(frame(0, "00", can_id)) is BROADCAST


def test_an_addressed_group_is_found_whatever_its_destination() -> None:
    # PDU format 06 is below F0: E5 is the destination (SAE J1939-21).
    found = table(ADDRESSED, Match.GROUP).find(frame(0, "00", 0x18061234))
    assert found is ADDRESSED


def test_another_group_finds_nothing() -> None:
    assert table(BROADCAST, Match.GROUP).find(frame(0, "00", 0x18FF51E5)) is None


def test_matched_by_identifier_another_source_finds_nothing() -> None:
    found = table(BROADCAST, Match.IDENTIFIER).find(frame(0, "00", 0x18FF5027))
    assert found is None


def test_an_11_bit_message_keeps_its_identifier_where_groups_are_matched() -> None:
    assert message_key(PLAIN, Match.GROUP) == Key(Match.IDENTIFIER, 0x100, False)


def test_an_11_bit_frame_has_no_group() -> None:
    zero = described(dbc(LAYOUT, EXTENDED | 0x180012F4))  # group 0, destination 12
    assert table(zero, Match.GROUP).find(frame(0, "00", 0x100)) is None


def test_an_identifier_goes_before_a_group() -> None:
    both = MessageTable(
        [
            (message_key(BROADCAST, Match.GROUP), BROADCAST),
            (Key(Match.IDENTIFIER, 0x18FF5027, True), ADDRESSED),
        ]
    )
    assert both.find(frame(0, "00", 0x18FF5027)) is ADDRESSED


def test_messages_that_the_same_frames_would_match_are_named() -> None:
    group = Key(Match.GROUP, 0xFF50, True)
    other = Key(Match.GROUP, 0xFF51, True)
    keyed = [(group, "Box"), (other, "Lid"), (group, "Cap"), (group, "Pot")]
    assert clashes(keyed) == [("Box", "Cap"), ("Box", "Pot")]
