"""Snapshots of an invented van, as its logger would write them."""

from collections.abc import Mapping
from dataclasses import replace

from logger.clock import uptime_us
from logger.core.health import Health
from logger.live import FORM, LiveReading, LiveSource, LiveTrip, LiveVan, Snapshot

WALL_US = 1_781_985_840_000_000
"""20 June 2026, 21:04 in the van's zone."""

VAN = LiveVan("Sandpiper", "Europe/Lisbon", "mile", "celsius", 10.0)


def live(
    value: float | None,
    age_s: float = 0.1,
    *,
    mean: float | None = None,
    health: Health = Health.FRESH,
    source: str = "bus drive",
    period_s: float = 0.1,
) -> LiveReading:
    """Return a reading; its unit is of no account to the pages."""
    return LiveReading(
        value=value,
        mean=mean,
        unit="",
        age_s=age_s,
        period_s=period_s,
        health=health,
        source=source,
    )


DRIVING: Mapping[str, LiveReading] = {
    "pack.current_a": live(-34.0),
    "pack.voltage_v": live(352.0),
    "pack.power_w": live(-12_400.0, mean=-12_000.0),
    "pack.soc_pct": live(64.0, source="count"),
    "pack.soc_low_pct": live(60.0, source="count"),
    "pack.soc_high_pct": live(68.0, source="count"),
    "road.speed_mps": live(22.0),
    "sun.roof.power_w": live(1_900.0, mean=1_900.0, period_s=1.0, source="port roof"),
}
"""What is heard while the van drives in the sun."""

TRIP = LiveTrip(
    start_us=0,
    distance_m=1_609.344 * 10,
    used_wh=4_120.0,
    energy_net_wh=3_900.0,
    sun_wh=220.0,
)

OPEN = (
    LiveSource("bus drive", "open", "", 0.1, 212.0, 0),
    LiveSource("port roof", "open", "", 0.4, 1.0, 0),
)

SCENE = Snapshot(
    form=FORM,
    program="ampledger 0.1.0",
    seq=1,
    written_us=0,
    wall_us=WALL_US,
    is_clock_sure=True,
    speed=1.0,
    van=VAN,
    run=1,
    readings=DRIVING,
    sources=OPEN,
    trip=TRIP,
    is_moving=False,
    stops=3,
    desk_entry=0,
    not_stored="",
)
"""The van on a drive, everything heard."""


def heard(**changes: LiveReading | None) -> Snapshot:
    """Return the drive with other readings, `pack__soc_pct` for `pack.soc_pct`.

    Args:
        changes: Readings by name; None takes one away.
    """
    renamed = {name.replace("__", "."): each for name, each in changes.items()}
    readings = {**DRIVING, **renamed}
    return replace(SCENE, readings={k: v for k, v in readings.items() if v is not None})


def written_now(scene: Snapshot, seq: int) -> Snapshot:
    """Return a scene as the logger would write it at this moment."""
    return replace(scene, seq=seq, written_us=uptime_us())
