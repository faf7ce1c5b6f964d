"""A run's statement, as a person reads it in a terminal.

Rounds and prefixes; computes nothing that the log does not hold.
"""

from collections.abc import Iterator

from logger.core.tick import SECONDS_PER_HOUR, US_PER_S
from logger.core.trips import METRES_PER_MILE, Trip
from logger.store.reader import Log, RunRow, iso_utc

REFUSALS_SHOWN = 5


def statement(log: Log, run: RunRow) -> str:
    """Return the statement of one run, ready to print."""
    return "\n".join((_head(run), *_body(log, run)))


def needs_look(log: Log, run: RunRow) -> bool:
    """Return whether something of a run was damaged, refused or remarked on."""
    return bool(run.damaged_lines or log.refusals(run.id) or log.events(run.id))


def _head(run: RunRow) -> str:
    when = iso_utc(run.start_us) or "date unknown"
    return f"Run {run.id}: {run.recording}, {when}"


def _body(log: Log, run: RunRow) -> Iterator[str]:
    for number, trip in enumerate(log.trips(run.id), start=1):
        yield f"  Trip {number}"
        yield from (f"    {name:<13}{text}" for name, text in _trip_lines(trip))
    for name, total in log.totals(run.id).items():
        if name.startswith("sun."):
            wh = total.integral / SECONDS_PER_HOUR
            yield f"  {name.split('.')[1]:<15}{_energy(wh)} of sun"
    yield from (f"  ! {line}" for line in _remarks(log, run))


def _trip_lines(trip: Trip) -> Iterator[tuple[str, str]]:
    skipped = f", {trip.skipped_us / US_PER_S:.0f} s of it not seen"
    yield (
        "time",
        _duration(trip.duration_s) + (skipped if trip.skipped_us else ""),
    )
    if trip.distance_m is not None:
        miles = trip.distance_m / METRES_PER_MILE
        yield "distance", f"{miles:.2f} mi ({trip.distance_m / 1000:.2f} km)"
    if trip.energy_out_wh is not None and trip.energy_in_wh is not None:
        net_wh = trip.energy_out_wh - trip.energy_in_wh
        yield (
            "pack",
            f"{_energy(trip.energy_out_wh)} out, {_energy(trip.energy_in_wh)} in, "
            f"{_energy(net_wh)} net",
        )
    if trip.wh_per_mi is not None and trip.wh_per_km is not None:
        yield "used", f"{trip.wh_per_mi:.0f} Wh/mi ({trip.wh_per_km:.0f} Wh/km)"
    if trip.charge_net_ah is not None:
        yield "charge", f"{trip.charge_net_ah:+.3f} Ah into the pack"
    if trip.soc_counted_change_pct is not None:
        yield "count", f"{trip.soc_counted_change_pct:+.2f} points"
    if trip.soc_start_pct is not None and trip.soc_end_pct is not None:
        yield (
            "state",
            f"{trip.soc_start_pct:.1f} % to {trip.soc_end_pct:.1f} % of charge, "
            f"between {trip.soc_low_end_pct:.0f} and {trip.soc_high_end_pct:.0f} %",
        )


def _remarks(log: Log, run: RunRow) -> Iterator[str]:
    if run.start_us is None:
        yield "No date in the recording: give one with --start."
    if run.damaged_lines:
        yield f"{run.damaged_lines} damaged lines were skipped."
    for event in log.events(run.id):
        yield event.text
    refusals = log.refusals(run.id)
    for refusal in refusals[:REFUSALS_SHOWN]:
        yield f"{refusal.place}: {refusal.n} x {refusal.reason}, last {refusal.sample}"
    if len(refusals) > REFUSALS_SHOWN:
        yield f"{len(refusals) - REFUSALS_SHOWN} more kinds of refusal are in the log."
    if run.unmatched_frames:
        yield f"{run.unmatched_frames} frames feed no channel."


def _energy(wh: float) -> str:
    return f"{wh / 1000:.3f} kWh"


def _duration(seconds: float) -> str:
    minutes, rest = divmod(round(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours} h {minutes:02d} min" if hours else f"{minutes} min {rest:02d} s"
