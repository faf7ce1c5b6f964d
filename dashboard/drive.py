"""What Drive shows, as ready-made words: one function for page, stream and API.

Pure: a snapshot and its age in, a view out. How a figure grows old stands in
`ageing`; two rules are Drive's own: power out of the pack dashes at 5 s, and the charge
is held up to 10 minutes after the last count, as a pack loses little in that time.

Power: `out` is what the pack gives, 2 s mean, 0 while it takes. `in` is what sun and
chargers deliver, or what the pack takes where that is more (then the road gives back):
a box that was not heard adds nothing, and is never written as 0.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import orjson

from dashboard.ageing import Figure, Heard, Limits, Moment, figure, never
from dashboard.strip import LINK_LOST_S, Strip, is_disagreeing, no_link, strip_of
from dashboard.wording import (
    NBSP,
    either_side,
    is_wide,
    kilowatts,
    number,
    whole,
)
from logger.core.trips import SHORTEST_WAY_M
from logger.live import Snapshot

POWER_GONE_S = 5.0
"""A driver must not steer by a power that is older than this."""

CHARGE_GONE_S = 600.0
"""The charge stays this long after the last count, hatched and with its age."""

NOT_KNOWN_YET = "Not known yet: needs a full charge or a rest"

IN_SCALE_W, OUT_SCALE_W = 30_000.0, 60_000.0
"""Ends of the bar of power; what is beyond stands in the figure."""

FORM = 1
"""Form of the message; goes up whenever a page of the older form would be misled."""


@dataclass(frozen=True, slots=True)
class Charge:
    """The charge of the pack.

    Attributes:
        figure: The figure; its text is the low end where the band is wide.
        to: The high end of a wide band; otherwise empty.
        band: `± 4`; empty where there is none or it is wide.
        word: Whose count it is, where two disagree or only a meter speaks.
        other: The other count, where two disagree.
        other_word: Whose that is.
        low_pct: Up to here the bar is solid, %.
        high_pct: Up to here it is hatched, %.
        doubt_pct: Up to here it is hatched in rust, %.
        reserve_pct: The notch, %.
        is_known: False while no count has a start.
        label: The bar in a sentence.
    """

    figure: Figure
    to: str
    band: str
    word: str
    other: str
    other_word: str
    low_pct: float
    high_pct: float
    doubt_pct: float
    reserve_pct: float
    is_known: bool
    label: str


@dataclass(frozen=True, slots=True)
class DriveView:
    """Everything that Drive shows; the one message of stream and API.

    Attributes:
        form: Form of the message.
        seq: Number of the snapshot; 0 without one.
        clock: Time of day at the snapshot, by the van; empty without one.
        is_moving: True while the van drives; None where nobody can tell.
        strip: The strip.
        charge: The charge.
        power_in: What comes in, kW.
        power_out: What the pack gives, kW.
        in_pct: Length of the bar of `power_in`, % of the whole scale.
        out_pct: Length of the bar of `power_out`, % of the whole scale.
        use: Consumption of the trip under way; None while there is no trip.
        sun: Power of all solar strings, kW; None where none was ever fitted.
    """

    form: int
    seq: int
    clock: str
    is_moving: bool | None
    strip: Strip
    charge: Charge
    power_in: Figure
    power_out: Figure
    in_pct: float
    out_pct: float
    use: Figure | None
    sun: Figure | None


def message(snapshot: Snapshot | None, age_s: float) -> bytes:
    """Return Drive's one message, JSON.

    Args:
        snapshot: The newest snapshot, or None where there is none.
        age_s: Its age now, s.
    """
    return orjson.dumps(drive_view(snapshot, age_s))


def drive_view(snapshot: Snapshot | None, age_s: float) -> DriveView:
    """Return what Drive shows.

    Args:
        snapshot: The newest snapshot, or None where there is none.
        age_s: Its age now, s; without one, how long none has been seen.
    """
    if snapshot is None:
        return _nothing(age_s)
    moment = Moment(snapshot, age_s)
    charge, sun, use = _charge(moment), _sun(moment), _use(moment)
    power_in, power_out = _power_in(moment), _power_out(moment)
    shown = [charge.figure, power_out, power_in, *(x for x in (use, sun) if x)]
    is_lost = age_s > LINK_LOST_S
    return DriveView(
        form=FORM,
        seq=snapshot.seq,
        clock=moment.units.clock_s(snapshot.wall_us),
        is_moving=None if is_lost else snapshot.is_moving,
        strip=no_link(age_s) if is_lost else strip_of(moment, shown, charge.is_known),
        charge=charge,
        power_in=power_in,
        power_out=power_out,
        in_pct=_bar_pct(power_in, IN_SCALE_W),
        out_pct=_bar_pct(power_out, OUT_SCALE_W),
        use=use,
        sun=sun,
    )


def _nothing(age_s: float) -> DriveView:
    return DriveView(
        form=FORM,
        seq=0,
        clock="",
        is_moving=None,
        strip=no_link(age_s),
        charge=_unknown(reserve_pct=0.0, is_known=True),
        power_in=never("kW in"),
        power_out=never("kW out"),
        in_pct=0.0,
        out_pct=0.0,
        use=None,
        sun=None,
    )


def _unknown(reserve_pct: float, is_known: bool) -> Charge:
    fig = never("%")
    return Charge(
        figure=fig if is_known else replace(fig, was=NOT_KNOWN_YET),
        to="",
        band="",
        word="",
        other="",
        other_word="",
        low_pct=0.0,
        high_pct=0.0,
        doubt_pct=0.0,
        reserve_pct=reserve_pct,
        is_known=is_known,
        label="Charge not known",
    )


def _charge(moment: Moment) -> Charge:
    reserve_pct = moment.snapshot.van.reserve_pct
    count, meter = moment.heard("pack.soc_pct"), moment.heard("meter.soc_pct")
    if count is not None:
        current = moment.heard("pack.current_a")
        # The count stands still while no current is heard, however new its cell.
        age_s = max(count.age_s, current.age_s if current else 0.0)
        count = replace(count, age_s=age_s)
    if count is None:
        if meter is None:
            return _unknown(reserve_pct, is_known=False)
        return _single(moment, meter, None, "meter")
    if meter is not None and is_disagreeing(moment):
        return _pair(moment, count, meter)
    return _single(moment, count, _band(moment), "")


def _band(moment: Moment) -> tuple[float, float] | None:
    low, high = moment.heard("pack.soc_low_pct"), moment.heard("pack.soc_high_pct")
    return None if low is None or high is None else (low.value, high.value)


def _charge_figure(moment: Moment, heard: Heard) -> Figure:
    limits = Limits(heard.limits.late_after_s, CHARGE_GONE_S)
    fig = figure(moment, whole(heard.value), replace(heard, limits=limits), "%")
    if fig.state == "late":
        return replace(fig, state="held")
    return fig


def _single(
    moment: Moment, heard: Heard, band: tuple[float, float] | None, word: str
) -> Charge:
    fig = _charge_figure(moment, heard)
    low_pct, high_pct = band or (heard.value, heard.value)
    wide = is_wide(low_pct, high_pct)
    reserve_pct = moment.snapshot.van.reserve_pct
    if wide:
        fig = replace(
            fig,
            text=number(low_pct),
            value=low_pct,
            was=f"was {number(low_pct)} to {number(high_pct)} %"
            f"{moment.clock_ago(heard.age_s)}",
        )
    return Charge(
        figure=fig,
        to=number(high_pct) if wide else "",
        band="" if wide or band is None else either_side(low_pct, high_pct),
        word=word,
        other="",
        other_word="",
        low_pct=round(low_pct, 1),
        high_pct=round(high_pct, 1),
        doubt_pct=round(high_pct, 1),
        reserve_pct=reserve_pct,
        is_known=True,
        label=f"Charge {_ends(low_pct, high_pct)} percent;"
        f" reserve below {number(reserve_pct)}",
    )


def _ends(low_pct: float, high_pct: float) -> str:
    low, high = number(low_pct), number(high_pct)
    return low if low == high else f"{low} to {high}"


def _pair(moment: Moment, count: Heard, meter: Heard) -> Charge:
    named = sorted(
        [(count.value, "count", count), (meter.value, "meter", meter)],
        key=lambda each: each[0],
    )
    (low_pct, word, lower), (high_pct, other_word, _) = named
    return Charge(
        figure=_charge_figure(moment, lower),
        to="",
        band="",
        word=word,
        other=f"or {number(high_pct)}{NBSP}%",
        other_word=other_word,
        low_pct=round(low_pct, 1),
        high_pct=round(low_pct, 1),
        doubt_pct=round(high_pct, 1),
        reserve_pct=moment.snapshot.van.reserve_pct,
        is_known=True,
        label=f"{word.capitalize()} {number(low_pct)} percent,"
        f" {other_word} {number(high_pct)}",
    )


def charge_text(charge: Charge) -> str:
    """Write a charge in one line, as Drive has it; empty unless it is live.

    Args:
        charge: The charge.
    """
    if charge.figure.state != "live":
        return ""
    text = charge.figure.text
    if charge.to:
        text = f"{text} to {charge.to}"
    if charge.band:
        text = f"{text}{NBSP}{charge.band}"
    return f"{text} {charge.other}" if charge.other else f"{text}{NBSP}%"


def _pack_power(moment: Moment) -> Heard | None:
    heard = moment.heard("pack.power_w", is_mean=True)
    if heard is None:
        return None
    late_s = heard.limits.late_after_s
    return replace(heard, limits=Limits(late_s, max(POWER_GONE_S, late_s)))


def _power_out(moment: Moment) -> Figure:
    heard = _pack_power(moment)
    if heard is None:
        return never("kW out")
    return figure(moment, kilowatts(max(0.0, -heard.value)), heard, "kW out")


def _power_in(moment: Moment) -> Figure:
    fitted = _channels(moment, "sun.", ".power_w")
    fitted += _channels(moment, "charger.", ".dc_power_w")
    given, pack = _sum(moment, fitted), _pack_power(moment)
    taken = None if pack is None else replace(pack, value=max(0.0, pack.value))
    if fitted and taken is not None and taken.value == 0.0:
        taken = None  # what sun and chargers give then is theirs alone to tell
    parts = [each for each in (given, taken) if each is not None]
    lately = [each for each in parts if _is_heard(each)]
    if not parts:
        return never("kW in")
    most = max(lately or parts, key=lambda each: each.value)
    return figure(moment, kilowatts(most.value), most, "kW in")


def _is_heard(heard: Heard) -> bool:
    return heard.limits.state(heard.age_s) != "none"


def _channels(moment: Moment, start: str, end: str) -> list[str]:
    names = moment.snapshot.readings
    return [name for name in names if name.startswith(start) and name.endswith(end)]


def _sum(moment: Moment, channels: Sequence[str]) -> Heard | None:
    """Return the sum of what was heard lately; of the newest where nothing was.

    It is as old as the part that is nearest to being late.
    """
    heard = [moment.heard(name, is_mean=True) for name in channels]
    known = sorted((each for each in heard if each), key=lambda each: each.age_s)
    used = [each for each in known if _is_heard(each)] or known[:1]
    if not used:
        return None
    oldest = max(used, key=lambda each: each.age_s - each.limits.late_after_s)
    source = used[0].source if len(used) == 1 else f"sum of {len(used)}"
    return replace(oldest, value=sum(each.value for each in used), source=source)


def _sun(moment: Moment) -> Figure | None:
    channels = _channels(moment, "sun.", ".power_w")
    if not channels:
        return None
    heard = _sum(moment, channels)
    if heard is None:
        return never("kW sun")
    return figure(moment, kilowatts(heard.value), heard, "kW sun")


def _use(moment: Moment) -> Figure | None:
    trip, unit = moment.snapshot.trip, moment.units.use
    if trip is None:
        return None
    pack = moment.heard("pack.power_w")
    way_m, used_wh = trip.distance_m, trip.used_wh
    if pack is None or way_m is None or used_wh is None or way_m < SHORTEST_WAY_M:
        return never(unit)
    shown = whole(used_wh * moment.units.way_m / way_m)
    return figure(moment, shown, replace(pack, source="this trip"), unit)


def _bar_pct(power: Figure, scale_w: float) -> float:
    """Return the length of a bar of power, % of the whole scale."""
    if power.state == "none" or power.value is None:
        return 0.0
    share = min(1.0, power.value * 1000.0 / scale_w)
    return round(share * 100.0 * scale_w / (IN_SCALE_W + OUT_SCALE_W), 2)
