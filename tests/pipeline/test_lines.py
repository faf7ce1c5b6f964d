"""Serial text lines on their way to readings."""

from dataclasses import replace

import pytest

from logger.decode.checksums import Checksum
from logger.decode.frames import Line, Reason
from logger.decode.text_lines import LineForm
from logger.pipeline.spec import Feed, PipelineSpec, Refusal
from tests.builders import channel, run, us
from tests.pipeline.boxes import line, line_spec

SPEC = line_spec("meter.voltage_v", "meter.current_a")
PLACE = "port meter, line main"


def test_a_line_feeds_its_channels() -> None:
    outcome = run(SPEC, [line(0, "400.5,-12.5"), line(1, "401,-13")])
    assert outcome.last("meter.voltage_v") == [400.5, 401.0]
    assert outcome.last("meter.current_a") == [-12.5, -13.0]


def test_what_can_be_worked_out_of_a_line_is() -> None:
    # 400 V x -10 A
    assert run(SPEC, [line(0, "400,-10")]).last("meter.power_w") == [-4000.0]


def test_an_empty_field_hides_no_other() -> None:
    outcome = run(SPEC, [line(0, ",-12.5")])
    assert set(outcome.ticks[0].cells) == {"meter.current_a"}
    assert outcome.closing.refusals == ()


@pytest.mark.parametrize(("text", "reason"), [
    ("n/a,1", Reason.NOT_A_NUMBER),
    ("nan,1", Reason.NOT_A_NUMBER),
    ("0x10,1", Reason.NOT_A_NUMBER),
    ("1501,1", Reason.IMPLAUSIBLE),
])  # fmt: skip
def test_a_field_that_is_no_value_is_refused_by_its_channel(
    text: str, reason: Reason
) -> None:
    outcome = run(SPEC, [line(0, text)])
    place, raw = f"{PLACE}, meter.voltage_v", text.partition(",")[0]
    assert outcome.closing.refusals == (Refusal(place, reason, 1, 0, 0, raw),)
    assert outcome.last("meter.current_a") == [1.0]


def test_a_short_line_is_refused_and_counted() -> None:
    outcome = run(SPEC, [line(0, "400"), line(1, "401,5"), line(2, "")])
    assert outcome.closing.refusals == (
        Refusal(PLACE, Reason.SHORT_LINE, 2, 0, us(2), ""),
    )
    assert outcome.closing.unmatched_lines == 0


def test_a_damaged_line_is_kept_so_that_it_can_be_read() -> None:
    (form,) = SPEC.lines["meter"]
    assert isinstance(form, LineForm)
    summed = replace(form, checksum=Checksum.XOR)
    spec = replace(SPEC, lines={"meter": (summed,)})
    # By hand: "1,2" comes to 2F (31 ^ 2C ^ 32).
    damaged = Line(us(1), 1, "meter", b"1,\xff2*2F")
    outcome = run(spec, [line(0, "1,2*2F"), damaged])
    assert outcome.counts("meter.voltage_v") == 1
    assert outcome.closing.refusals == (
        Refusal(PLACE, Reason.CHECKSUM, 1, us(1), us(1), "1,\\xff2*2F"),
    )


def test_lines_that_nobody_describes_are_counted() -> None:
    (form,) = SPEC.lines["meter"]
    assert isinstance(form, LineForm)
    spec = replace(SPEC, lines={"meter": (replace(form, begins="4"),)})
    items = [line(0, "400,1"), line(1, "boot"), line(2, "400,1", port="roof")]
    assert run(spec, items).closing.unmatched_lines == 2


def test_a_kind_of_line_that_feeds_nothing_is_counted_as_unmatched() -> None:
    greeting = LineForm("greeting", "#", ",", Checksum.NONE, None, ())
    spec = replace(SPEC, lines={"meter": (greeting, *SPEC.lines["meter"])})
    outcome = run(spec, [line(0, "# ready"), line(1, "400,1")])
    assert outcome.closing.unmatched_lines == 1
    assert outcome.last("meter.voltage_v") == [400.0]


def test_two_kinds_of_line_of_one_port_feed_their_own_channels() -> None:
    forms = tuple(
        LineForm(name, begins, ",", Checksum.NONE, ("kind", "x"), ("x",))
        for name, begins in (("volts", "V"), ("amps", "A"))
    )
    spec = PipelineSpec(
        lines={"meter": forms},
        line_feeds={
            ("meter", "volts"): (Feed(channel("meter.voltage_v"), 0),),
            ("meter", "amps"): (Feed(channel("meter.current_a"), 0),),
        },
    )
    outcome = run(spec, [line(0, "V,400"), line(0.5, "A,-9")])
    (tick,) = outcome.ticks
    assert {name: cell.last for name, cell in tick.cells.items()} == {
        "meter.voltage_v": 400.0,
        "meter.current_a": -9.0,
        "meter.power_w": -3600.0,
    }


def test_a_coded_field_becomes_our_code() -> None:
    feed = Feed(channel("key.on"), 0, codes={"RUN": 1.0, "0": 0.0})
    spec = replace(line_spec("key.on"), line_feeds={("meter", "main"): (feed,)})
    outcome = run(spec, [line(0, "RUN"), line(1, "0"), line(2, "?")])
    assert outcome.last("key.on") == [1.0, 0.0]
    (refusal,) = outcome.closing.refusals
    assert (refusal.reason, refusal.sample) == (Reason.NO_SUCH_CODE, "?")


def test_a_van_names_the_feeds_of_its_lines_too() -> None:
    assert [feed.channel.name for feed in SPEC.feeds()] == [
        "meter.voltage_v",
        "meter.current_a",
    ]
