"""What a person tells: notes, and the state of what nobody measures."""

from dataclasses import replace

import pytest

from logger.decode.frames import Entry, Item, Reason
from logger.pipeline.chain import Pipeline
from logger.pipeline.spec import PipelineSpec, Refusal, Remark
from tests.builders import run, us
from tests.pipeline.boxes import AWNING, beat, line, line_spec, note, told

SPEC = replace(line_spec("pack.current_a"), told=(AWNING,))


def remarks(spec: PipelineSpec, *items: Item) -> list[Remark]:
    """Return the remarks of a run."""
    return [each for each in run(spec, items).outputs if isinstance(each, Remark)]


def test_a_note_becomes_a_remark_at_its_time() -> None:
    assert remarks(SPEC, note(3, "New fuse.")) == [Remark(us(3), "note", "New fuse.")]


def test_a_note_is_given_at_once() -> None:
    pipeline = Pipeline(SPEC)
    assert pipeline.feed([note(3, "New fuse.")]) == [Remark(us(3), "note", "New fuse.")]


def test_what_is_told_is_a_reading_of_its_channel() -> None:
    outcome = run(SPEC, [told(0, 1), told(5, 0)])
    assert outcome.last(AWNING) == [1.0, 0.0]
    assert outcome.gaps == []


def test_what_is_told_is_remarked_too() -> None:
    assert remarks(SPEC, told(5, 1)) == [
        Remark(us(5), "reading", f"{AWNING} is 1, told by hand.")
    ]


def test_what_is_told_holds_however_long_nothing_more_is() -> None:
    outcome = run(SPEC, [told(0, 1), beat(1e6), told(1e6, 0), beat(2e6)])
    assert outcome.gaps == []


@pytest.mark.parametrize(("value", "reason", "sample"), [
    (2.0, Reason.NO_SUCH_CODE, "2.0"),
    (0.5, Reason.NO_SUCH_CODE, "0.5"),
    (float("nan"), Reason.NOT_A_NUMBER, "nan"),
    (float("inf"), Reason.NOT_A_NUMBER, "inf"),
])  # fmt: skip
def test_what_cannot_be_is_refused(value: float, reason: Reason, sample: str) -> None:
    outcome = run(SPEC, [told(7, value)])
    assert outcome.outputs == (outcome.closing,)
    assert outcome.closing.refusals == (
        Refusal(f"desk, {AWNING}", reason, 1, us(7), us(7), sample),
    )


@pytest.mark.parametrize(
    "name", ["pack.current_a", "awning.right.extended", "no.such_thing"]
)
def test_nobody_tells_what_a_box_measures_or_nothing_is(name: str) -> None:
    outcome = run(SPEC, [line(6, "5"), told(7, 1, name)])
    assert outcome.last("pack.current_a") == [5.0]
    (refusal,) = outcome.closing.refusals
    assert (refusal.place, refusal.reason) == (f"desk, {name}", Reason.NOT_TOLD)


def test_a_name_without_a_quantity_is_not_told() -> None:
    pipeline = Pipeline(replace(SPEC, told=("no.such_thing", AWNING)))
    assert [each.channel for each in pipeline.readings(0)] == ["pack.current_a", AWNING]


def test_the_newest_entry_is_known_booked_or_refused() -> None:
    items: list[Item] = [note(0, "a", 4), told(1, 9, number=5), note(2, "b", 3)]
    assert run(SPEC, items).closing.newest_entry == 5


def test_a_run_begins_with_the_newest_entry_of_the_one_before() -> None:
    pipeline = Pipeline(SPEC, newest_entry=41)
    pipeline.feed([note(0, "a", 7)])
    assert pipeline.newest_entry == 41
    pipeline.feed([Entry(us(1), 1, 42, "note", "b")])
    assert (pipeline.newest_entry, pipeline.balance().newest_entry) == (42, 42)


def test_a_date_that_a_person_gave_is_told_in_words() -> None:
    # 1700000000 s is 2023-11-14T22:13:20Z (common knowledge among Unix people).
    entry = Entry(us(1), 1, 4, "clock", "some-start", "", 1_700_000_000e6)
    (remark,) = Pipeline(PipelineSpec()).feed([entry])
    assert isinstance(remark, Remark)
    assert (remark.t_us, remark.kind) == (us(1), "clock")
    assert "started at 2023-11-14" in remark.text
