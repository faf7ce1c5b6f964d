"""Laws of the sums: no cut, no chunk and no hole makes or loses energy."""

import itertools
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.core.soc import Count, PackSpec
from logger.decode.frames import Frame, Item, Line
from logger.pipeline.chain import Pipeline
from logger.pipeline.spec import Feed, Output
from tests.builders import LAW, Outcome, box_spec, channel, dbc, rows, run, table_spec

SPEC = table_spec("pack.current_a", "pack.voltage_v", "road.speed_mps")
SAMPLE = st.tuples(
    st.integers(1, 5_000_000).map(lambda step_us: step_us / 1e6),
    st.floats(-500, 500),
    st.floats(0, 800),
    st.floats(0, 60),
)
DRIVE = st.lists(SAMPLE, min_size=2, max_size=30)
Sample = tuple[float, float, float, float]


def timed(samples: list[Sample]) -> list[Sample]:
    """Return samples with the time since the start instead of the step, s."""
    times = itertools.accumulate(round(step_s * 1e6) for step_s, *_ in samples)
    return [(t / 1e6, *values[1:]) for t, values in zip(times, samples, strict=True)]


def by_numpy(samples: list[Sample]) -> list[float]:
    """Return charge, As, energy in and out, Ws, and way, m, with numpy.trapezoid."""
    t_s, current_a, voltage_v, speed_mps = np.array(samples).T
    power_w = current_a * voltage_v
    into_w, out_w = np.maximum(power_w, 0.0), np.maximum(-power_w, 0.0)
    series = (current_a, into_w, out_w, speed_mps)
    return [float(np.trapezoid(values, t_s)) for values in series]


def sums(outcome: Outcome) -> list[float]:
    """Return the same four sums of a run."""
    names = (
        "pack.current_a",
        "pack.charging_power_w",
        "pack.discharging_power_w",
        "road.speed_mps",
    )
    return [outcome.integral(name) for name in names]


@LAW
@given(DRIVE)
def test_charge_energy_and_way_are_trapezoids(samples: list[Sample]) -> None:
    drive = timed(samples)
    expected = by_numpy(drive)
    assert sums(run(SPEC, rows(*drive))) == pytest.approx(expected, rel=1e-9, abs=1e-3)


@LAW
@given(DRIVE, st.data())
def test_two_runs_lose_only_the_interval_that_was_cut(
    samples: list[Sample], data: st.DataObject
) -> None:
    drive = timed(samples)
    cut = data.draw(st.integers(1, len(drive) - 1))
    whole = sums(run(SPEC, rows(*drive)))
    first = sums(run(SPEC, rows(*drive[:cut])))
    second = sums(run(SPEC, rows(*drive[cut:])))
    lost = [w - a - b for w, a, b in zip(whole, first, second, strict=True)]
    # the trapezoid between the two samples on both sides of the cut
    expected = by_numpy(drive[cut - 1 : cut + 1])
    assert lost == pytest.approx(expected, rel=1e-6, abs=1e-3)


@LAW
@given(DRIVE)
def test_in_less_out_is_the_integral_of_the_pack_power(samples: list[Sample]) -> None:
    outcome = run(SPEC, rows(*timed(samples)))
    _, into_ws, out_ws, _ = sums(outcome)
    expected = outcome.integral("pack.power_w")
    assert into_ws - out_ws == pytest.approx(expected, rel=1e-9, abs=1e-3)


@LAW
@given(DRIVE)
def test_net_energy_of_a_trip_is_out_less_in(samples: list[Sample]) -> None:
    drive = timed(samples)
    (trip,) = run(SPEC, rows(*drive)).trips
    _, into_ws, out_ws, _ = by_numpy(drive)
    expected = (out_ws - into_ws) / 3600
    assert trip.energy_net_wh == pytest.approx(expected, rel=1e-9, abs=1e-6)


@LAW
@given(DRIVE)
def test_the_closing_has_the_sums_of_the_ticks(samples: list[Sample]) -> None:
    outcome = run(SPEC, rows(*timed(samples)))
    totals = outcome.closing.totals
    assert totals["pack.current_a"].integral == pytest.approx(
        sums(outcome)[0], rel=1e-9, abs=1e-6
    )


MOTOR = Feed(channel("motor.speed_rpm"), 0)
MIXED = replace(
    SPEC,
    messages=box_spec(dbc(["0|16@1- (1,0)"]), MOTOR).messages,
    message_feeds=box_spec(dbc(["0|16@1- (1,0)"]), MOTOR).message_feeds,
    pack=PackSpec(100.0, 0.02),
    start=Count(50.0, start_sigma_pct=5.0),
)
PAYLOADS = st.binary(max_size=8)
IDENTIFIERS = st.sampled_from([256, 257])


def mixed(
    samples: list[Sample], payloads: list[bytes], identifiers: list[int]
) -> list[Item]:
    """Return rows with frames and serial lines between them."""
    items: list[Item] = []
    triples = zip(rows(*timed(samples)), payloads, identifiers, strict=False)
    for row, payload, can_id in triples:
        late_us = row.t_us - 300_000
        items += [
            row,
            Frame(late_us, row.seq, "drive", can_id, False, payload),
            Line(row.t_us, row.seq, "meter", payload),
        ]
    return items


@LAW
@given(
    DRIVE,
    st.lists(PAYLOADS, min_size=30, max_size=30),
    st.lists(IDENTIFIERS, min_size=30, max_size=30),
    st.lists(st.integers(0, 12), max_size=20),
)
def test_the_same_items_in_any_chunks_give_the_same_rows(
    samples: list[Sample],
    payloads: list[bytes],
    identifiers: list[int],
    sizes: list[int],
) -> None:
    items = mixed(samples, payloads, identifiers)
    pipeline = Pipeline(MIXED)
    outputs: list[Output] = []
    rest = iter(items)
    for size in (*sizes, len(items)):
        outputs += pipeline.feed(itertools.islice(rest, size))
    outputs += pipeline.finish()
    assert tuple(outputs) == run(MIXED, items).outputs
