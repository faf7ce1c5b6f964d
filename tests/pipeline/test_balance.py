"""What a run has come to, asked for while it lasts."""

from collections.abc import Iterable
from dataclasses import replace

from logger.core.ledger import Tally, Total
from logger.decode.frames import Item, Reason
from logger.pipeline.chain import Pipeline
from logger.pipeline.spec import Balance, PipelineSpec
from tests.builders import rows, run, table_spec, us
from tests.pipeline.boxes import beat, counted, line

SPEC = counted(table_spec("pack.current_a", "key.on", "road.speed_mps"))


def balance(items: Iterable[Item], spec: PipelineSpec = SPEC) -> Balance:
    """Return the balance after some items, while the run goes on."""
    pipeline = Pipeline(spec)
    pipeline.feed(items)
    return pipeline.balance()


def test_at_the_beginning_there_is_only_the_start() -> None:
    empty = balance([])
    assert (empty.t_us, empty.totals, empty.refusals) == (0, {}, ())
    assert (empty.count, empty.sigma_pct, empty.trip) == (SPEC.start, 5.0, None)


def test_a_balance_is_that_of_the_seconds_that_are_over() -> None:
    # 36 A for 2 s are 72 A·s; the second under way is not in it yet.
    so_far = balance(rows((0, 36, None, None), (1, 36, None, None), (2, 36, None, None),
                          (3, 36, None, None)))  # fmt: skip
    assert so_far.totals["pack.current_a"] == Total(72.0, us(2), 0)
    assert so_far.t_us == us(3)


def test_a_balance_counts_the_charge() -> None:
    # 36 A for 100 s are 1 Ah, 1 % of 100 Ah.
    items = rows(*((t_s, 36, None, None) for t_s in range(101)))
    assert abs((balance([*items, beat(101)]).count.counted_pct or 0) - 51.0) < 1e-9


def test_a_balance_covers_silence_up_to_the_last_beat() -> None:
    assert balance([*rows((0, 36, None, None)), beat(99)]).t_us == us(99)


def test_the_last_balance_is_the_closing() -> None:
    items = [*rows(*((t_s, 36, 1, 9) for t_s in range(5))), beat(5)]
    assert replace(balance(items), trip=None) == run(SPEC, items).closing


def test_a_trip_under_way_is_in_the_balance() -> None:
    trip = balance([*rows(*((t_s, -36, 1, 9) for t_s in range(5))), beat(5)]).trip
    assert trip is not None
    assert (trip.start_us, trip.end_us, trip.distance_m) == (0, us(4), 36.0)


def test_a_trip_that_is_only_assumed_is_not() -> None:
    # The key was not heard yet: it may turn out to have been off.
    items = rows(*((t_s, -36, None, 9) for t_s in range(5)))
    assert balance([*items, beat(5)]).trip is None


def test_after_a_trip_there_is_none() -> None:
    items = rows((0, -36, 1, 9), (1, -36, 0, 0))
    assert balance([*items, beat(2)]).trip is None


def test_without_a_key_the_run_so_far_is_the_trip() -> None:
    spec = table_spec("road.speed_mps")
    trip = balance([*rows((0, 9), (1, 9)), beat(2)], spec).trip
    assert trip is not None
    assert trip.distance_m == 9.0


def test_what_was_refused_and_not_matched_is_in_the_balance() -> None:
    so_far = balance([*rows((0, "x", None, None)), line(1, "hello")])
    assert [(each.reason, each.n) for each in so_far.refusals] == [
        (Reason.NOT_A_NUMBER, 1)
    ]
    assert (so_far.unmatched_frames, so_far.unmatched_lines) == (0, 1)


def test_totals_of_a_balance_go_on_with_the_seconds_behind_it() -> None:
    # By hand: 36 A x 2 s before the balance; 36 A x 1 s, then a hole of 96 s.
    timed = [(t_s, 36, None, None) for t_s in (0, 1, 2, 3, 99)]
    tally = Tally.of(balance(rows(*timed[:4])).totals)
    for tick in run(SPEC, rows(*timed)).ticks:
        if tick.index >= 3:
            tally.add(tick)
    assert tally.totals["pack.current_a"] == Total(108.0, us(3), us(96))


def test_a_balance_that_was_taken_does_not_change_any_more() -> None:
    pipeline = Pipeline(SPEC)
    pipeline.feed(rows((0, 36, 1, 9), (1, 36, 1, 9), (2, 36, 1, 9)))
    before = pipeline.balance()
    kept = replace(before, totals=dict(before.totals))
    pipeline.feed(rows((3, 99, 1, 9), (4, 99, 1, 9), (5, 99, 1, 9)))
    assert before == kept
