"""Remembers which fault codes stand, and says when one appears or goes.

One book a bus. What boxes tell is data and may be noise: memory is bounded, and a code
that comes and goes is told the first time, then at every doubling.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

from logger.decode.descriptions import FUNCTION_BITS, NODE_BITS
from logger.decode.fault_codes import (
    DM1_GROUP,
    DM_RV_GROUP,
    FaultCode,
    FaultFamily,
    FaultReport,
    Lamp,
    NodeState,
    Told,
    decode_dm1,
    decode_dm_rv,
    decode_emergency,
    decode_heartbeat,
    register_words,
)
from logger.decode.frames import Frame, Rejected
from logger.decode.j1939 import parameter_group
from logger.pipeline.spec import Remark

MOST_CODES = 500
"""Different faults of different senders on one bus. A van has tens; beyond it, a code
that was not seen before is counted and not told."""

EMERGENCY_ID, HEARTBEAT_ID = 0x080, 0x700


Decode = Callable[[bytes], FaultReport | Rejected]
BY_GROUP: dict[int, tuple[FaultFamily, Decode]] = {
    DM1_GROUP: (FaultFamily.J1939, decode_dm1),
    DM_RV_GROUP: (FaultFamily.RV_C, decode_dm_rv),
}

Sender = tuple[FaultFamily, int]
"""Family, and the source address or node number of a box."""


@dataclass(slots=True)
class _Known:
    """One fault that was seen: as it was told last, and how often it appeared."""

    told: Told
    is_active: bool = False
    times: int = 0

    @property
    def is_worth_telling(self) -> bool:
        return self.times.bit_count() == 1  # 1, 2, 4, 8 …


@dataclass(frozen=True, slots=True)
class Standing:
    """A fault that stands now, for whoever looks for causes.

    Attributes:
        bus: Name of the bus.
        family: Whose kind of code it is.
        sender: Source address or node number of the box.
        told: The code, and what its box says of it.
    """

    bus: str
    family: FaultFamily
    sender: int
    told: Told


@dataclass(slots=True)
class FaultBook:
    """The fault codes of one bus; is fed and answers.

    Attributes:
        bus: Name of the bus.
        families: Whose codes are listened for.
        untold: Codes that were not told because too many were seen.
    """

    bus: str
    families: frozenset[FaultFamily]
    untold: int = 0
    _known: dict[Sender, dict[FaultCode, _Known]] = field(default_factory=dict)
    _n_known: int = 0
    _states: dict[int, tuple[NodeState, int]] = field(default_factory=dict)

    @property
    def standing(self) -> tuple[Standing, ...]:
        """Every fault that stands now, by sender in the order of first appearance."""
        return tuple(
            Standing(self.bus, family, sender, known.told)
            for (family, sender), codes in self._known.items()
            for known in codes.values()
            if known.is_active
        )

    def take(self, frame: Frame) -> list[Remark] | Rejected | None:
        """Take a frame, whole or put together; return what is worth telling.

        Returns:
            None where the frame tells of no fault; `Rejected` where it should but
            cannot be read.
        """
        if frame.is_extended:
            found = BY_GROUP.get(parameter_group(frame.can_id))
            if found is None or found[0] not in self.families:
                return None
            family, decode = found
            sender = family, frame.can_id & 0xFF
            return self._book(frame.t_us, sender, decode(frame.data))
        node = frame.can_id & NODE_BITS
        if FaultFamily.CANOPEN not in self.families or node == 0:
            return None
        function = frame.can_id & FUNCTION_BITS
        if function == EMERGENCY_ID:
            sender = FaultFamily.CANOPEN, node
            return self._book(frame.t_us, sender, decode_emergency(frame.data))
        if function == HEARTBEAT_ID:
            return self._note_state(frame.t_us, node, decode_heartbeat(frame.data))
        return None

    def _book(
        self, t_us: int, sender: Sender, report: FaultReport | Rejected
    ) -> list[Remark] | Rejected:
        if isinstance(report, Rejected):
            return report
        codes, untold = self._known.setdefault(sender, {}), self.untold
        remarks = []
        for told in report.active:
            known = self._appear(codes, told)
            if known is not None:
                text = _words(_place(self.bus, sender), known, report)
                remarks.append(Remark(t_us, "fault", text))
        for known in _ended(codes.values(), report):
            known.is_active = False
            if known.is_worth_telling:
                place, code = _place(self.bus, sender), known.told.code
                text = f"{place} no longer tells {code.text}."
                remarks.append(Remark(t_us, "fault gone", text))
        if self.untold.bit_length() > untold.bit_length():  # at every doubling
            text = f"bus {self.bus} tells more than {MOST_CODES} different fault codes."
            remarks.append(Remark(t_us, "fault", f"{text} {self.untold} left out."))
        return remarks

    def _appear(self, codes: dict[FaultCode, _Known], told: Told) -> _Known | None:
        """Note a fault that is told; return it if that is worth a remark."""
        known = codes.get(told.code)
        if known is None:
            if self._n_known == MOST_CODES:
                self.untold += 1
                return None
            known = codes[told.code] = _Known(told)
            self._n_known += 1
        known.told = told
        if known.is_active:
            return None
        known.is_active = True
        known.times += 1
        return known if known.is_worth_telling else None

    def _note_state(
        self, t_us: int, node: int, state: NodeState | Rejected
    ) -> list[Remark] | Rejected:
        if isinstance(state, Rejected):
            return state
        before, times = self._states.get(node, (None, 0))
        if state is before:
            return []
        self._states[node] = (state, times + 1)
        # A node that runs when we begin to listen is no news.
        is_news = before is not None or state is not NodeState.OPERATIONAL
        if not is_news or (times + 1).bit_count() != 1:
            return []
        was = "" if before is None else f", was {before.label}"
        text = f"{_place(self.bus, (FaultFamily.CANOPEN, node))} is {state.label}{was}."
        return [Remark(t_us, "node state", text)]


def _ended(known: Iterable[_Known], report: FaultReport) -> list[_Known]:
    """Return the faults of a sender that stood, and that a report ends."""
    told = {each.code for each in report.active}
    return [
        each
        for each in known
        if each.is_active
        and (
            each.told.code in report.over
            or (report.is_all and each.told.code not in told)
        )
    ]


def _place(bus: str, sender: Sender) -> str:
    family, address = sender
    if family is FaultFamily.CANOPEN:
        return f"bus {bus}, node {address}"
    return f"bus {bus}, address {address:02X}"


LAMP_WORDS = ("protect", "amber warning", "red stop", "malfunction")


def _words(place: str, known: _Known, report: FaultReport) -> str:
    told, lamps = known.told, report.lamps
    parts = [f"{place} tells {told.code.text}"]
    if told.occurrences is not None:
        parts.append(f"its own count {told.occurrences}")
    states = (lamps.protect, lamps.warning, lamps.stop, lamps.malfunction)
    on = [
        word for word, lamp in zip(LAMP_WORDS, states, strict=True) if lamp is Lamp.ON
    ]
    if on:
        parts.append("lamps on: " + ", ".join(on))
    if report.register:
        parts.append("error register: " + ", ".join(register_words(report.register)))
    if known.times > 1:
        parts.append(f"time {known.times} in this run")
    return "; ".join(parts) + "."
