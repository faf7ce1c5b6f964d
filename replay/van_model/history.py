"""The invented van's past: the frames and lines of a stretch, as fast as they come.

Pure. No clock: what the sources would have heard is handed out at once, at lower rates
than live, to fill a log with trips before the demo goes live.
"""

from collections.abc import Iterator, Mapping

from logger.core.tick import US_PER_S
from logger.decode.frames import Frame, Item, Line
from replay.van_model.boxes import State, start_state, step
from replay.van_model.lines import LINES, SpokenLine
from replay.van_model.messages import compile_frames
from replay.van_model.timetable import Spoken, Timetable

PAST_STEP_US = 100_000
"""One step of the model in the past, microseconds."""

DRIVEN_US = 500_000
PARKED_US = 2_000_000
"""Nothing is said more often than that with the key on, and with the key off."""

KEY_TAIL_US = 2_000_000
"""The faster pace goes on after key off, so that a trip ends when it ended."""

FRAME_US = 300
"""What is due at one moment follows each other: about a frame at 500 kbit/s."""


class Past(Iterator[Item]):
    """Hands out the items of a stretch; `state` is the van as far as it has come."""

    def __init__(
        self,
        state: State,
        duration_s: float,
        descriptions: Mapping[str, str],
        first_seq: int = 0,
    ) -> None:
        """Make the boxes ready.

        Args:
            state: The van when the stretch begins.
            duration_s: How long the stretch is, s.
            descriptions: The text of each bus's DBC, by the name of the bus.
            first_seq: Number of the first item.
        """
        self.state = state
        self.seq = first_seq
        self._duration_us = round(duration_s * US_PER_S)
        spoken: tuple[Spoken, ...] = (*compile_frames(descriptions), *LINES)
        self._driven = Timetable(spoken, PAST_STEP_US, DRIVEN_US)
        self._parked = Timetable(spoken, PAST_STEP_US, PARKED_US)
        self._items = self._run()

    def __next__(self) -> Item:
        """Return the next frame or line; its time counts from the stretch's start."""
        return next(self._items)

    def _run(self) -> Iterator[Item]:
        began_us, driven_until_us = self.state.t_us, 0
        for t_us in range(0, self._duration_us, PAST_STEP_US):
            if self.state.drives.is_key_on:
                driven_until_us = t_us + KEY_TAIL_US
            table = self._driven if t_us < driven_until_us else self._parked
            for place, spoken in enumerate(table.due(began_us + t_us)):
                yield self._item(spoken, t_us + place * FRAME_US)
            self.state = step(self.state, PAST_STEP_US / US_PER_S)

    def _item(self, spoken: Spoken, t_us: int) -> Item:
        self.seq += 1
        if isinstance(spoken, SpokenLine):
            return Line(t_us, self.seq - 1, spoken.source, spoken.text(self.state))
        return Frame(
            t_us,
            self.seq - 1,
            spoken.source,
            spoken.message.frame_id,
            spoken.message.is_extended_frame,
            spoken.payload(self.state),
        )


def past_items(
    duration_s: float, descriptions: Mapping[str, str], state: State | None = None
) -> Past:
    """Return the frames and lines of a stretch of the van's own time.

    Args:
        duration_s: How long it is, s.
        descriptions: The text of each bus's DBC, by the name of the bus.
        state: The van when it begins; None for the start of the first round.
    """
    return Past(state or start_state(), duration_s, descriptions)
