"""Makes the snapshot of what pipeline, sources and storing say of themselves.

Pure: takes values and returns one.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from logger.core.health import Health, Reading
from logger.core.moving import Moving, Seen
from logger.core.tick import US_PER_S
from logger.core.trips import Trip
from logger.live import FORM, LiveReading, LiveSource, LiveTrip, LiveVan, Snapshot
from logger.quantities import find_channel
from logger.sources.supervisor import Status
from logger.van.settings import Settings

STANDS = 0.5
"""A code of one channel means yes from here on."""


@dataclass(frozen=True, slots=True)
class Moment:
    """When a snapshot is made.

    Attributes:
        seq: Number of the snapshot.
        uptime_us: Uptime of the computer, microseconds.
        run_us: Microseconds since the run's zero.
        wall_us: Date as the log has it, microseconds since the Unix epoch.
        is_clock_sure: True where that date is confirmed.
        speed: How many times faster than the computer the logger's clock runs.
    """

    seq: int
    uptime_us: int
    run_us: int
    wall_us: int
    is_clock_sure: bool
    speed: float


@dataclass(frozen=True, slots=True)
class State:
    """How everything stands at that moment."""

    program: str
    van: LiveVan
    run: int
    readings: Sequence[Reading]
    sources: Sequence[Status]
    trip: Trip | None
    moving: Moving
    desk_entry: int
    not_stored: str
    boot: str
    notice: str = ""


def live_van(settings: Settings) -> LiveVan:
    """Return what a page has to know of a van."""
    pack = settings.pack
    return LiveVan(
        name=settings.van.name,
        time_zone=settings.van.time_zone,
        distance=settings.van.distance,
        temperature=settings.van.temperature,
        reserve_pct=0.0 if pack is None else pack.reserve_pct,
    )


def snapshot(moment: Moment, state: State) -> Snapshot:
    """Return the snapshot of one moment."""
    return Snapshot(
        form=FORM,
        program=state.program,
        seq=moment.seq,
        written_us=moment.uptime_us,
        wall_us=moment.wall_us,
        is_clock_sure=moment.is_clock_sure,
        speed=moment.speed,
        van=state.van,
        run=state.run,
        readings={each.channel: _live(each) for each in state.readings},
        sources=tuple(_source(each, moment.run_us) for each in state.sources),
        trip=None if state.trip is None else _trip(state.trip),
        is_moving=state.moving.is_moving,
        stops=state.moving.stops,
        desk_entry=state.desk_entry,
        not_stored=state.not_stored,
        boot=state.boot,
        notice=state.notice,
    )


def seen(readings: Iterable[Reading], run_us: int) -> Seen:
    """Return what tells whether the van is driven, from live readings only."""
    live = {
        each.channel: each.value
        for each in readings
        if each.health in (Health.FRESH, Health.DISAGREEING)
    }
    fitted = {each.channel for each in readings}
    key = live.get("key.on", live.get("drive.ready"))
    has_position = live.get("gps.fix", 0.0) if "gps.fix" in fitted else None
    return Seen(
        t_us=run_us,
        speed_mps=live.get("road.speed_mps", live.get("gps.speed_mps")),
        traction_a=live.get("controller.dc_current_a"),
        is_key_on=None if key is None else key > STANDS,
        has_position=None if has_position is None else has_position > STANDS,
    )


def _live(reading: Reading) -> LiveReading:
    channel = find_channel(reading.channel)
    assert channel is not None, reading.channel
    return LiveReading(
        value=reading.value,
        mean=reading.mean,
        unit=channel.quantity.unit.symbol,
        age_s=round(reading.age_us / US_PER_S, 3),
        period_s=round(reading.period_us / US_PER_S, 3),
        health=reading.health,
        source=reading.source,
        note=reading.note,
    )


def _source(status: Status, now_us: int) -> LiveSource:
    heard_us = status.heard_us
    return LiveSource(
        name=status.name,
        state=status.state,
        text=status.text,
        age_s=None if heard_us is None else round((now_us - heard_us) / US_PER_S, 3),
        rate_hz=round(status.rate_hz, 1),
        dropped=status.dropped,
        errors=status.condition.errors,
        lost=status.condition.lost,
        trouble=status.condition.text,
    )


def _trip(trip: Trip) -> LiveTrip:
    return LiveTrip(
        start_us=trip.start_us,
        distance_m=trip.distance_m,
        used_wh=trip.used_wh,
        energy_net_wh=trip.energy_net_wh,
        sun_wh=trip.sun_wh,
    )
