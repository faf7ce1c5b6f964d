"""Invented drives of the van of the tests, with silences, beats and a key."""

from collections.abc import Iterable, Sequence
from dataclasses import replace

from hypothesis import strategies as st

from logger.decode.frames import Item
from logger.pipeline.spec import PipelineSpec
from tests.builders import us
from tests.pipeline.boxes import beat, counted, line, line_spec

NAMES = (
    "pack.current_a",
    "pack.voltage_v",
    "key.on",
    "meter.soc_pct",
    "road.speed_mps",
)
SPEC = counted(line_spec(*NAMES))
REPORTED = replace(
    SPEC, start=replace(SPEC.start, counted_pct=None), is_start_reported=True
)
KEYLESS = counted(line_spec("pack.current_a", "road.speed_mps"))


def without(name: str) -> PipelineSpec:
    """Return the van whose lines have a column more than it feeds from."""
    feeds = SPEC.line_feeds["meter", "main"]
    kept = tuple(feed for feed in feeds if feed.channel.name != name)
    return replace(SPEC, line_feeds={("meter", "main"): kept})


SPECS = {
    "own start": SPEC,
    "start of the meter": REPORTED,
    "no key": without("key.on"),
    "no current": without("pack.current_a"),
    "no pack": replace(SPEC, pack=None),
}


@st.composite
def drives(draw: st.DrawFn) -> list[Item]:
    """Return lines at uneven times, silences of minutes to hours among them."""
    items: list[Item] = []
    t_s = 0.0
    for _ in range(draw(st.integers(1, 30))):
        t_s += draw(st.one_of(
            st.floats(0.0, 2.0), st.sampled_from([1.0, 5.0, 61.0, 599.0, 601.0, 4000.0])
        ))  # fmt: skip
        cells = (
            draw(st.sampled_from(["", "-40", "25.5", "9999"])),
            draw(st.sampled_from(["", "400"])),
            draw(st.sampled_from(["", "", "0", "1"])),
            draw(st.sampled_from(["", "70"])),
            draw(st.sampled_from(["", "0", "13"])),
        )
        items.append(line(t_s, ",".join(cells)))
    return items


def mixed(items: Sequence[Item], beats_s: Iterable[float]) -> list[Item]:
    """Return the items with beats among them, in order of time, up to the last item."""
    last_us = items[-1].t_us
    beats = [beat(t_s) for t_s in beats_s if us(t_s) <= last_us]
    return sorted([*items, *beats], key=lambda item: item.t_us)


BEATS = st.lists(
    st.one_of(st.floats(0, 60), st.floats(0, 5000), st.integers(0, 5000).map(float)),
    max_size=40,
)


@st.composite
def muddled_drives(draw: st.DrawFn) -> list[Item]:
    """Return such drives of two buses whose stamps do not quite go together."""
    items = draw(drives())
    late_us = draw(st.lists(st.integers(0, us(1.5)), min_size=30, max_size=30))
    return [
        replace(item, t_us=max(0, item.t_us - by_us))
        for item, by_us in zip(items, late_us, strict=False)
    ]
