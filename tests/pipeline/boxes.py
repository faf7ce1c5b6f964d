"""An invented van of the tests: a meter that writes lines, and an awning."""

from dataclasses import replace

from logger.core.soc import Count, PackSpec
from logger.core.tick import GapRule
from logger.decode.checksums import Checksum
from logger.decode.frames import Beat, Entry, Line
from logger.decode.text_lines import LineForm
from logger.pipeline.spec import Feed, PipelineSpec
from tests.builders import channel, us

AWNING = "awning.left.extended"
PACK = PackSpec(capacity_ah=100.0, capacity_sigma_frac=0.02)


def line_spec(*names: str, rule: GapRule | None = None) -> PipelineSpec:
    """Return a van whose port `meter` has lines `main`, a field a channel."""
    fields = tuple(f"f{slot}" for slot in range(len(names)))
    form = LineForm("main", "", ",", Checksum.NONE, fields, fields)
    feeds = tuple(Feed(channel(name), slot) for slot, name in enumerate(names))
    if rule is not None:
        feeds = tuple(replace(feed, rule=rule) for feed in feeds)
    return PipelineSpec(lines={"meter": (form,)}, line_feeds={("meter", "main"): feeds})


def counted(spec: PipelineSpec) -> PipelineSpec:
    """Return a van with a pack of 100 Ah whose count begins at 50 %."""
    return replace(spec, pack=PACK, start=Count(50.0, start_sigma_pct=5.0))


def line(t_s: float, text: str, port: str = "meter") -> Line:
    """Return one line of a port."""
    return Line(us(t_s), us(t_s), port, text.encode())


def beat(t_s: float) -> Beat:
    """Return word that time has passed."""
    return Beat(us(t_s), us(t_s))


def told(t_s: float, value: float, name: str = AWNING, number: int = 1) -> Entry:
    """Return a person's word for how a channel stands."""
    return Entry(us(t_s), us(t_s), number, "reading", "", name, value)


def note(t_s: float, text: str, number: int = 1) -> Entry:
    """Return a person's note."""
    return Entry(us(t_s), us(t_s), number, "note", text)
