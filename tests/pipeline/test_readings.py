"""How a raw value becomes a reading, and what is refused instead."""

from dataclasses import replace

import pytest

from logger.decode.frames import Reason
from logger.pipeline.spec import Feed, PipelineSpec, Refusal
from tests.builders import (
    Outcome,
    box_spec,
    channel,
    dbc,
    frame,
    rows,
    run,
    table_spec,
    us,
)

VOLTAGE = Feed(channel("pack.voltage_v"), 0)  # plausible from 0 to 1500 V
SELECTOR = Feed(
    channel("drive.selector"), 0, codes={"P": 0, "R": 1, "N": 2, "3": 3}
)  # 0 park, 1 reverse, 2 neutral, 3 drive


def of_cells(feed: Feed, *cells: float | str | None) -> Outcome:
    """Run one column of a table, a row a second."""
    spec = PipelineSpec(table_feeds={"trip": (feed,)})
    return run(spec, rows(*enumerate(cells)))


def test_a_value_is_scaled_then_offset() -> None:
    # In tenths of a volt, with the box's zero at 5 V: 4000 x 0.1 + 5.
    feed = replace(VOLTAGE, scale=0.1, offset=5.0)
    assert of_cells(feed, "4000").last("pack.voltage_v") == [405.0]


@pytest.mark.parametrize("cell", ["0", "1500", " 399.5 ", "3.5e2"])
def test_a_plausible_value_is_taken(cell: str) -> None:
    assert of_cells(VOLTAGE, cell).last("pack.voltage_v") == [float(cell)]


@pytest.mark.parametrize(
    ("cell", "reason"),
    [
        ("-0.1", Reason.IMPLAUSIBLE),
        ("1500.1", Reason.IMPLAUSIBLE),
        ("n/a", Reason.NOT_A_NUMBER),
        ("", Reason.NOT_A_NUMBER),
        ("nan", Reason.NOT_A_NUMBER),
        ("inf", Reason.NOT_A_NUMBER),
        ("1e999", Reason.NOT_A_NUMBER),  # more than a float holds
        ("1_000", Reason.NOT_A_NUMBER),  # a number to Python, to no logger
    ],
)
def test_what_is_no_value_is_refused_with_its_reason(cell: str, reason: Reason) -> None:
    place = "table trip, pack.voltage_v"
    expected = (Refusal(place, reason, 1, 0, 0, cell),)
    assert of_cells(VOLTAGE, cell).closing.refusals == expected


@pytest.mark.parametrize("cell", ["0.5", "-1", "2", "0.0001"])
def test_a_code_that_the_channel_does_not_know_is_refused(cell: str) -> None:
    (refusal,) = of_cells(Feed(channel("key.on"), 0), cell).closing.refusals
    assert refusal.reason in (Reason.NO_SUCH_CODE, Reason.IMPLAUSIBLE)


def test_a_missing_value_is_known_though_its_factor_was_rounded() -> None:
    # 127 x 0.1 is 12.700000000000001 in binary; a person writes 12.7.
    feed = replace(VOLTAGE, missing=frozenset({12.7}))
    text = dbc(["0|8@1+ (0.1,0)"])
    outcome = run(box_spec(text, feed), [frame(0, "7F" + "00" * 7)])
    assert outcome.ticks == []


def test_a_refused_value_is_not_stored() -> None:
    assert of_cells(VOLTAGE, "400", "1e6", "401").last("pack.voltage_v") == [400, 401]


def test_refusals_are_counted_with_the_newest_sample() -> None:
    outcome = of_cells(VOLTAGE, "400", "-1", "400", "-2", "-3")
    place = "table trip, pack.voltage_v"
    assert outcome.closing.refusals == (
        Refusal(place, Reason.IMPLAUSIBLE, 3, us(1), us(4), "-3"),
    )


def test_refusals_come_in_the_order_of_their_first_appearance() -> None:
    refusals = of_cells(VOLTAGE, "x", "-1", "x").closing.refusals
    assert [(each.reason, each.n) for each in refusals] == [
        (Reason.NOT_A_NUMBER, 2),
        (Reason.IMPLAUSIBLE, 1),
    ]


@pytest.mark.parametrize(
    ("cell", "code"),
    [
        ("P", 0),
        ("R", 1),
        ("3", 3),
        ("3.0", 3),  # a table may write whole numbers with a point
    ],
)
def test_a_code_of_the_box_becomes_ours(cell: str, code: float) -> None:
    assert of_cells(SELECTOR, cell).last("drive.selector") == [code]


@pytest.mark.parametrize("cell", ["D", "4", "", "nan"])
def test_a_code_without_a_meaning_is_refused(cell: str) -> None:
    place = "table trip, drive.selector"
    expected = (Refusal(place, Reason.NO_SUCH_CODE, 1, 0, 0, cell),)
    assert of_cells(SELECTOR, cell).closing.refusals == expected


def test_codes_are_not_summed() -> None:
    assert of_cells(SELECTOR, "3", "3", "3").integral("drive.selector") == 0.0


@pytest.mark.parametrize("feed", [VOLTAGE, SELECTOR], ids=["number", "code"])
def test_a_value_that_means_no_value_is_no_reading(feed: Feed) -> None:
    outcome = of_cells(replace(feed, missing=frozenset({255.0})), "255", 255)
    assert outcome.ticks == []


@pytest.mark.parametrize("feed", [VOLTAGE, SELECTOR], ids=["number", "code"])
def test_a_value_that_means_no_value_is_not_refused(feed: Feed) -> None:
    outcome = of_cells(replace(feed, missing=frozenset({255.0})), "255", 255)
    assert outcome.closing.refusals == ()


def test_an_empty_cell_hides_no_other() -> None:
    spec = table_spec("pack.current_a", "pack.voltage_v")
    outcome = run(spec, rows((0, None, 400), (1, 5, None)))
    assert (outcome.last("pack.current_a"), outcome.last("pack.voltage_v")) == (
        [5.0],
        [400.0],
    )


# From here on: frames. Volts in tenths, bytes 0 and 1, low byte first.
BOX = dbc(["0|16@1+ (0.1,0)"], length=4)
SPEC = box_spec(BOX, VOLTAGE)
PLACE = "bus drive, message Box"


def test_a_frame_feeds_its_channel() -> None:
    # 0x0F9B = 3995
    outcome = run(SPEC, [frame(0, "9B 0F 00 00")])
    assert outcome.last("pack.voltage_v") == [pytest.approx(399.5)]


def test_a_short_frame_is_refused_and_kept() -> None:
    expected = (Refusal(PLACE, Reason.SHORT, 1, us(2), us(2), "9b 0f"),)
    assert run(SPEC, [frame(2, "9B 0F")]).closing.refusals == expected


def test_an_implausible_signal_is_refused_by_its_channel() -> None:
    # 0xFFFF tenths are 6553.5 V
    (refusal,) = run(SPEC, [frame(0, "FF FF 00 00")]).closing.refusals
    assert refusal.place == f"{PLACE}, pack.voltage_v"
    assert refusal.reason is Reason.IMPLAUSIBLE


def test_a_signal_beyond_what_a_float_holds_is_refused() -> None:
    # 512 bits times 1e300 are some 1e454; a float ends at 1.8e308.
    spec = box_spec(dbc(["0|512@1+ (1e300,0)"], length=64), VOLTAGE)
    (refusal,) = run(spec, [frame(0, "FF" * 64)]).closing.refusals
    assert refusal.reason is Reason.NOT_A_NUMBER


@pytest.mark.parametrize(("can_id", "bus"), [(0x101, "drive"), (0x100, "charge")])
def test_frames_that_nobody_describes_are_counted(can_id: int, bus: str) -> None:
    frames = [frame(t_s, "9B 0F 00 00", can_id, bus) for t_s in range(3)]
    outcome = run(SPEC, [*frames, frame(3, "9B 0F 00 00")])
    assert outcome.closing.unmatched_frames == 3


def test_a_van_names_every_feed_of_its_frames_and_tables() -> None:
    spec = replace(SPEC, table_feeds={"trip": (SELECTOR,)})
    assert list(spec.feeds()) == [VOLTAGE, SELECTOR]


def test_a_signal_that_is_not_in_this_frame_is_no_reading() -> None:
    switched = dbc(["M : 0|8@1+ (1,0)", "m0 : 8|8@1+ (1,0)", "m1 : 8|8@1+ (1,0)"])
    spec = box_spec(
        switched,
        Feed(channel("pack.voltage_v"), 1),
        Feed(channel("aux.voltage_v"), 2),
    )
    outcome = run(spec, [frame(0, "01 0C 00 00 00 00 00 00")])
    assert set(outcome.ticks[0].cells) == {"aux.voltage_v"}
