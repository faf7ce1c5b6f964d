"""Messages of several frames on their way to readings, and feeds that mean one box."""

from dataclasses import replace

import pytest

from logger.decode.assembly import LongGroups
from logger.decode.descriptions import Match, MessageTable, message_key
from logger.decode.frames import Frame, Item, Reason
from logger.pipeline.chain import Pipeline
from logger.pipeline.spec import Feed, PipelineSpec, Refusal
from tests.builders import channel, dbc, described, frame, run, us

# Two-frame group 127506 of the recorded network: instance in byte 1, charge in byte 3.
TEXT = dbc(["8|8@1+ (1,0)", "24|8@1+ (1,0)"], 0x80000000 | 0x19F212FE, length=9)
FIRST, SECOND = "A0 09 F3 00 00 64 FF 9C", "A1 1C 0A 00 FF FF FF FF"
DETAIL = 0x19F212B0


def spec(*feeds: Feed) -> PipelineSpec:
    """Return a van whose bus `drive` has the group with these feeds."""
    message = described(TEXT)
    key = message_key(message, Match.GROUP)
    return PipelineSpec(
        messages={"drive": MessageTable([(key, message)])},
        message_feeds={("drive", message.name): feeds},
        long_groups={"drive": LongGroups(fast=frozenset({0x1F212}))},
    )


CHARGE = Feed(channel("meter.soc_pct"), 1)


def test_a_message_of_two_frames_is_a_reading_at_its_last_frame() -> None:
    frames = [frame(0.9, FIRST, DETAIL), frame(1.1, SECOND, DETAIL)]
    outcome = run(spec(CHARGE), frames)
    (tick,) = outcome.ticks
    assert tick.index == 1
    assert tick.first_us == us(1.1)
    assert tick.cells["meter.soc_pct"].last == 100.0
    assert outcome.closing.unmatched_frames == 0


def test_however_the_frames_are_cut_into_batches_the_outcome_is_the_same() -> None:
    frames: list[Item] = [
        frame(n / 2, text, DETAIL)
        for n, text in enumerate((FIRST, SECOND, SECOND, FIRST, FIRST, SECOND))
    ]
    pipeline = Pipeline(spec(CHARGE))
    one_by_one = [out for each in frames for out in pipeline.feed([each])]
    assert (*one_by_one, *pipeline.finish()) == run(spec(CHARGE), frames).outputs


def test_a_message_with_a_part_missing_is_refused_and_counted() -> None:
    outcome = run(spec(CHARGE), [frame(0, FIRST, DETAIL), frame(1, FIRST, DETAIL)])
    place = "bus drive, message 19F212B0 of several frames"
    assert outcome.closing.refusals == (
        Refusal(place, Reason.INCOMPLETE, 1, us(1), us(1), "f3 00 00 64 ff 9c"),
    )


@pytest.mark.parametrize(("changed", "n"), [
    (CHARGE, 1),
    (replace(CHARGE, only=((0, 0.0),)), 1),
    (replace(CHARGE, only=((0, 1.0),)), 0),
    (replace(CHARGE, address=0xB0), 1),
    (replace(CHARGE, address=0xB1), 0),
])  # fmt: skip
def test_a_feed_may_mean_one_instance_or_one_sender(changed: Feed, n: int) -> None:
    frames = [frame(0, FIRST, DETAIL), frame(0.1, SECOND, DETAIL)]
    assert run(spec(changed), frames).counts("meter.soc_pct") == n


def test_an_address_of_11_bits_is_the_node() -> None:
    text = dbc(["0|8@1+ (1,0)"], 0x705, length=1)
    message = described(text)
    feeds = (Feed(channel("meter.soc_pct"), 0, address=5),)
    van = PipelineSpec(
        messages={
            "drive": MessageTable([(message_key(message, Match.IDENTIFIER), message)])
        },
        message_feeds={("drive", "Box"): feeds},
    )
    sent = Frame(0, 0, "drive", 0x705, False, b"\x05")
    assert run(van, [sent]).last("meter.soc_pct") == [5.0]
