"""The one environment that all pages are made in, with what every template may use."""

from pathlib import Path

from jinja2 import Environment, FileSystemLoader, StrictUndefined

from dashboard.assets import asset
from dashboard.wording import DASH, span_text

TEMPLATES = Environment(
    loader=FileSystemLoader(Path(__file__).parent / "templates"),
    autoescape=True,
    undefined=StrictUndefined,
    trim_blocks=True,
)
TEMPLATES.globals |= {"asset": asset, "span_text": span_text, "dash": DASH}
