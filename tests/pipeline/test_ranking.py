"""Two boxes feed one channel: the better one is used while it talks."""

from dataclasses import replace

import pytest

from logger.core.tick import GapRule
from logger.pipeline.spec import Feed, PipelineSpec
from tests.builders import channel, rows, run, us

CURRENT = channel("pack.current_a")
FIRST, SECOND = Feed(CURRENT, 0), Feed(CURRENT, 1, rank=2)
SPEC = PipelineSpec(table_feeds={"trip": (FIRST, SECOND)})

# The second box counts from 100 up, so that its values tell where they come from.
ONLY_SECOND = [(t_s, None, 100.0 + t_s) for t_s in range(1, 9)]


def test_while_both_talk_the_first_is_used() -> None:
    both = [(t_s, 5.0, 100.0) for t_s in range(8)]
    assert set(run(SPEC, rows(*both)).last("pack.current_a")) == {5.0}


def test_a_second_that_is_not_used_is_not_counted() -> None:
    both = [(t_s, 5.0, 100.0) for t_s in range(8)]
    assert run(SPEC, rows(*both)).counts("pack.current_a") == 8


def test_the_second_is_used_where_the_first_never_spoke() -> None:
    heard = run(SPEC, rows(*ONLY_SECOND)).last("pack.current_a")
    assert heard == [100.0 + t_s for t_s in range(1, 9)]


def test_the_second_waits_for_half_the_gap_limit_of_the_first() -> None:
    # Heard at 0 s, silent beyond 2.5 s: the first sample used is that of 3 s.
    outcome = run(SPEC, rows((0, 5.0, 100.0), *ONLY_SECOND))
    assert outcome.last("pack.current_a") == [5.0, *(100.0 + t for t in range(3, 9))]


def test_a_declared_limit_is_the_one_to_wait_for() -> None:
    rule = GapRule(max_gap_us=us(2))
    feeds = (replace(FIRST, rule=rule), replace(SECOND, rule=rule))
    spec = PipelineSpec(table_feeds={"trip": feeds})
    outcome = run(spec, rows((0, 5.0, 100.0), *ONLY_SECOND[:4]))
    assert outcome.last("pack.current_a") == [5.0, 102.0, 103.0, 104.0]


def test_a_second_box_that_talks_all_the_while_leaves_no_gap() -> None:
    outcome = run(SPEC, rows((0, 5.0, 100.0), *ONLY_SECOND))
    assert outcome.gaps == []


@pytest.mark.parametrize("feeds", [(FIRST, SECOND), (SECOND, FIRST)])
def test_the_order_of_feeds_in_a_row_is_no_matter(feeds: tuple[Feed, ...]) -> None:
    spec = PipelineSpec(table_feeds={"trip": feeds})
    outcome = run(spec, rows((0, 5.0, 100.0)))
    assert outcome.last("pack.current_a") == [5.0]
    assert outcome.counts("pack.current_a") == 1


def test_the_first_is_used_again_at_once() -> None:
    items = rows((0, 5.0, 100.0), *ONLY_SECOND, (9, 5.0, 100.0), (10, None, 100.0))
    assert run(SPEC, items).last("pack.current_a")[-2:] == [108.0, 5.0]


@pytest.mark.parametrize(
    "cell",
    [
        "9999",  # outside the plausible range of -2000 to 2000 A
        "broken",
        "-1",  # what this box says instead of a value
    ],
)
def test_a_box_that_talks_nonsense_counts_as_silent(cell: str) -> None:
    first = replace(FIRST, missing=frozenset({-1.0}))
    spec = PipelineSpec(table_feeds={"trip": (first, SECOND)})
    items = rows((0, 5.0, 100.0), *((t_s, cell, 100.0 + t_s) for t_s in range(1, 8)))
    assert run(spec, items).last("pack.current_a") == [
        *(5.0, 103.0, 104.0, 105.0),
        *(106.0, 107.0),
    ]


def test_a_third_waits_for_both() -> None:
    third = Feed(CURRENT, 2, rank=3)
    spec = PipelineSpec(table_feeds={"trip": (FIRST, SECOND, third)})
    # The first was heard until 0 s, the second until 2 s: the third speaks from 5 s.
    items = rows(
        (0, 5.0, None, None),
        *((t_s, None, 50.0, 900.0) for t_s in (1, 2)),
        *((t_s, None, None, 900.0 + t_s) for t_s in (3, 4, 5)),
    )
    assert run(spec, items).last("pack.current_a") == [5.0, 905.0]


@pytest.mark.parametrize("beat_s", [2, 4, 6])
def test_a_slow_first_box_is_not_blended_with_a_fast_second(beat_s: int) -> None:
    both = [(t_s, 5.0 if t_s % beat_s == 0 else None, 100.0) for t_s in range(120)]
    heard = run(SPEC, rows(*both)).last("pack.current_a")
    # Until the first beat is known, the second box may speak once.
    assert set(heard[2 * beat_s :]) == {5.0}
