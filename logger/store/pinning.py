"""Which events pin the frames around them, as data."""

from collections.abc import Mapping

PINNING: Mapping[str, tuple[float, float]] = {
    "note": (600.0, 60.0),
}
"""By kind of event: how long before and after it frames are kept, s. Somebody wrote a
note because something was worth looking at (design judgement)."""
