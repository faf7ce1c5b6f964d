"""What a cut leaves on a card: what was flushed, and any part of the rest."""

from random import Random

from hypothesis import given
from hypothesis import strategies as st

from tests.builders import LAW
from tests.faults.medium import (
    SECTOR,
    Card,
    Flushed,
    Made,
    Operation,
    Removed,
    Resized,
    Written,
    put,
)

CHANGES = st.one_of(
    st.builds(
        Written,
        st.just("a"),
        st.integers(0, 3000),
        st.binary(min_size=1, max_size=2000),
    ),
    st.builds(Resized, st.just("a"), st.integers(0, 4000)),
)


def left(operations: list[Operation], seeds: int = 200) -> set[tuple[str, bytes]]:
    """Return all that many cuts leave, file by file."""
    card = Card.holding({})
    card.take(operations)
    return {item for seed in range(seeds) for item in card.cut(Random(seed)).items()}


@LAW
@given(st.lists(CHANGES), st.integers())
def test_what_was_flushed_stays(changes: list[Written | Resized], seed: int) -> None:
    content = bytearray()
    for change in changes:
        put(content, change)
    card = Card.holding({})
    card.take([Made("a"), *changes, Flushed("a")])
    assert card.cut(Random(seed)) == {"a": bytes(content)}


def test_what_was_not_flushed_is_there_or_not() -> None:
    found = left([Made("a"), Flushed("a"), Written("a", 0, b"new")])
    assert found == {("a", b""), ("a", b"new")}


def test_a_later_write_may_arrive_without_an_earlier_one() -> None:
    written: list[Operation] = [Written("a", 0, b"1"), Written("a", 1, b"2")]
    found = left([Made("a"), Flushed("a"), *written])
    assert {("a", b"\0" + b"2"), ("a", b"1"), ("a", b"12"), ("a", b"")} <= found


def test_an_earlier_write_may_arrive_after_a_later_one() -> None:
    found = left(
        [Made("a"), Flushed("a"), Written("a", 0, b"1"), Written("a", 0, b"2")]
    )
    assert {content for _, content in found} == {b"", b"1", b"2"}


def test_a_write_is_torn_between_sectors_only() -> None:
    old, new = bytes(3 * SECTOR), b"\1" * (3 * SECTOR)
    on_it: list[Operation] = [
        Made("a"),
        Written("a", 0, old),
        Flushed("a"),
        Written("a", 0, new),
    ]
    found = {content for _, content in left(on_it, seeds=500)}
    assert len(found) > 2
    for content in found:
        sectors = [content[at : at + SECTOR] for at in range(0, len(content), SECTOR)]
        assert all(len(set(sector)) == 1 for sector in sectors)


def test_a_new_file_may_be_missing_until_it_is_flushed() -> None:
    card = Card.holding({})
    card.take([Made("a"), Written("a", 0, b"1")])
    assert {} in [card.cut(Random(seed)) for seed in range(20)]


def test_a_file_that_was_taken_away_may_come_back_until_the_folder_is_flushed() -> None:
    gone: list[Operation] = [
        Made("a"),
        Written("a", 0, b"1"),
        Flushed("a"),
        Removed("a", False),
    ]
    assert left(gone) == {("a", b"1")}
    flushed: list[Operation] = [*gone[:-1], Removed("a", True)]
    assert left(flushed) == set()
    assert left([*gone, Made("b"), Flushed("b")]) == {("b", b"")}


def test_a_card_that_lies_keeps_nothing_for_sure() -> None:
    card = Card.holding({"a": b"old"}, lies=1.0)
    card.take([Written("a", 0, b"new"), Flushed("a")])
    left_by = {card.cut(Random(seed))["a"] for seed in range(20)}
    assert left_by == {b"old", b"new"}
