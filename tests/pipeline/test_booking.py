"""Booking seconds comes to the same whether they are heard or were stored."""

from collections.abc import Sequence
from dataclasses import replace

from hypothesis import given
from hypothesis import strategies as st

from logger.core.rollup import Minute, Quarter
from logger.core.tick import Tick
from logger.core.trips import Trip
from logger.decode.frames import Item
from logger.pipeline.booking import Booking
from logger.pipeline.chain import Pipeline
from logger.pipeline.spec import Balance, Output, PipelineSpec
from tests.builders import LAW, Outcome, run
from tests.pipeline.boxes import counted, line, line_spec
from tests.pipeline.drives import BEATS, SPECS, drives, mixed, muddled_drives

SOC = ("pack.soc_pct", "pack.soc_low_pct", "pack.soc_high_pct", "pack.soc_counted_pct")


def bare(tick: Tick) -> Tick:
    """Return a second as it was before it was counted, in an order of its own."""
    cells = {name: tick.cells[name] for name in sorted(tick.cells) if name not in SOC}
    return replace(tick, cells=cells)


def booked(spec: PipelineSpec, lived: Outcome) -> Sequence[Output]:
    """Return what the seconds of a run come to, and its balance."""
    booking, outputs = Booking(spec.booking()), list[Output]()
    for output in lived.outputs:
        if isinstance(output, Tick):
            outputs += booking.add(bare(output))
    end_us = lived.closing.t_us
    return [*outputs, *booking.finish(end_us), booking.balance(end_us)]


def essence(outputs: Sequence[Output]) -> list[Output]:
    """Return what a booking can know, kind by kind: not refusals, nor entries."""
    kinds: list[type[Output]] = [Tick, Minute, Quarter, Trip]
    balances = [
        Balance(each.t_us, each.totals, each.count, each.sigma_pct, trip=each.trip)
        for each in outputs
        if isinstance(each, Balance)
    ]
    of_kinds = [each for kind in kinds for each in outputs if isinstance(each, kind)]
    return [*of_kinds, *balances]


@LAW
@given(st.one_of(drives(), muddled_drives()), BEATS, st.sampled_from(sorted(SPECS)))
def test_stored_seconds_come_to_what_they_came_to_live(
    items: list[Item], beats_s: list[float], van: str
) -> None:
    lived = run(SPECS[van], mixed(items, beats_s))
    assert essence(booked(SPECS[van], lived)) == essence(lived.outputs)


def test_a_beat_that_was_learned_is_known_from_the_seconds() -> None:
    # A current every 10 s: three like intervals teach that 10 s are no gap.
    spec = counted(line_spec("pack.current_a"))
    lived = run(spec, [line(10.0 * number, "-36") for number in range(20)])
    limits = [
        (limit.since_us, limit.limit_us)
        for output in lived.outputs
        if isinstance(output, Tick)
        for limit in output.limits
    ]
    assert limits == [(0, 5_000_000), (30_000_000, 30_000_000)]
    assert essence(booked(spec, lived)) == essence(lived.outputs)


def test_the_count_in_a_second_has_six_decimals_and_the_count_itself_all() -> None:
    # By hand: -1 A for 1 s of 100 Ah is 1/3600 %, from 50 %.
    spec = counted(line_spec("pack.current_a"))
    lived = run(spec, [line(0, "-1"), line(1, "-1")])
    (*_, last) = [each for each in lived.outputs if isinstance(each, Tick)]
    assert last.cells["pack.soc_counted_pct"].last == 49.999722
    assert lived.closing.count.counted_pct == 50.0 - 1 / 3600


def test_a_run_given_up_leaves_out_the_second_under_way() -> None:
    # A second at -36 A is 0.01 % of 100 Ah; that of the line at 2.5 s never ended.
    pipeline = Pipeline(counted(line_spec("pack.current_a")))
    pipeline.feed([line(0, "-36"), line(1, "-36"), line(2.5, "-36")])
    *minutes, trip, balance = pipeline.give_up(1_000_000)
    assert [type(each) for each in minutes] == [Minute, Quarter]
    assert isinstance(trip, Trip)
    assert trip.end_us == 1_000_000
    assert isinstance(balance, Balance)
    assert (balance.t_us, balance.count.counted_pct) == (1_000_000, 49.99)
