"""A run's statement, as a person reads it in a terminal.

Rounds, prefixes and chooses units; computes nothing that the log does not hold.
"""

from collections.abc import Iterator
from dataclasses import dataclass

from logger.core.ledger import sum_hours
from logger.core.tick import SECONDS_PER_HOUR, US_PER_S
from logger.core.trips import METRES_PER_MILE, Trip
from logger.store.reader import Log, RunRow, iso_utc
from logger.van.settings import Settings

REFUSALS_SHOWN = 5


@dataclass(frozen=True, slots=True)
class Statement:
    """One run of a log, ready to be told.

    Args:
        log: The log.
        run: The run.
        settings: The van, for its units and for what it should have had.
    """

    log: Log
    run: RunRow
    settings: Settings

    def __str__(self) -> str:
        """Return the statement as lines of text."""
        when = iso_utc(self.run.start_us) or "date unknown"
        lines = [f"Run {self.run.id}: {self.run.recording}, {when}"]
        trips = self.log.trips(self.run.id)
        for number, trip in enumerate(trips, start=1):
            lines.append(f"  Trip {number}")
            lines += [f"    {name:<10}{text}" for name, text in self._trip(trip)]
        if len(trips) != 1:
            lines.append(f"  Whole run, {len(trips)} trips")
            lines += [f"    {name:<10}{text}" for name, text in self._whole()]
        lines += [f"  {name:<12}{text}" for name, text in self._strings()]
        lines += [f"  ! {remark}" for remark in (*self._notes(), *self._faults())]
        return "\n".join(lines)

    def needs_look(self) -> bool:
        """Return whether something was damaged, refused, stepped or without effect."""
        return any(True for _ in self._faults())

    def _trip(self, trip: Trip) -> Iterator[tuple[str, str]]:
        skipped_s = trip.skipped_us / US_PER_S
        seen = f", {skipped_s:.0f} s of it not seen" if skipped_s else ""
        yield "time", _duration(trip.duration_s) + seen
        if trip.distance_m is not None:
            yield "distance", self._way(trip.distance_m)
        if trip.energy_out_wh is not None and trip.energy_in_wh is not None:
            yield "pack", _out_in(trip.energy_out_wh, trip.energy_in_wh)
        if trip.wh_per_mi is not None and trip.wh_per_km is not None:
            per = (f"{trip.wh_per_mi:.0f} Wh/mi", f"{trip.wh_per_km:.0f} Wh/km")
            yield "used", self._in_order(*per)
        if trip.charge_net_ah is not None:
            yield "charge", f"{trip.charge_net_ah:+.3f} Ah into the pack"
        if trip.soc_counted_change_pct is not None:
            yield "count", f"{trip.soc_counted_change_pct:+.2f} points"
        if trip.soc_start_pct is not None and trip.soc_end_pct is not None:
            yield (
                "state",
                f"{trip.soc_start_pct:.1f} % of charge at the start, "
                f"{trip.soc_end_pct:.1f} % at the end "
                f"({trip.soc_low_end_pct:.0f} to {trip.soc_high_end_pct:.0f} %)",
            )

    def _whole(self) -> Iterator[tuple[str, str]]:
        totals = self.log.totals(self.run.id)
        if "road.speed_mps" in totals:
            yield "distance", self._way(totals["road.speed_mps"].integral)
        out_wh = sum_hours(totals, "pack.discharging_power_w")
        in_wh = sum_hours(totals, "pack.charging_power_w")
        if out_wh is not None and in_wh is not None:
            yield "pack", _out_in(out_wh, in_wh)
        charge_ah = sum_hours(totals, "pack.current_a")
        if charge_ah is not None:
            yield "charge", f"{charge_ah:+.3f} Ah into the pack"

    def _strings(self) -> Iterator[tuple[str, str]]:
        for name, total in self.log.totals(self.run.id).items():
            if name.startswith("sun."):
                wh = total.integral / SECONDS_PER_HOUR
                yield name.split(".")[1], f"{_kwh(wh)} of sun"

    def _notes(self) -> Iterator[str]:
        """Yield what a person should know though nothing is wrong."""
        if self.run.start_us is None:
            yield "No date in the recording; --start with --again gives it one."
        if self.settings.pack is not None and self.run.count is None:
            yield "The van file gives no start of the count: no state of charge."
        if self.run.unmatched_lines:
            yield f"Lines that feed no channel: {self.run.unmatched_lines}."
        if self.run.unmatched_frames:
            yield f"Frames that feed no channel: {self.run.unmatched_frames}."

    def _faults(self) -> Iterator[str]:
        """Yield what needs a look."""
        if not self.log.has_ticks(self.run.id):
            yield "Nothing in this recording feeds a channel: is it the right van file?"
        if self.run.damaged_lines:
            yield f"Damaged lines, skipped: {self.run.damaged_lines}."
        for event in self.log.events(self.run.id):
            yield event.text
        refusals = self.log.refusals(self.run.id)
        for refusal in refusals[:REFUSALS_SHOWN]:
            what = f"{refusal.n} x {refusal.reason}, last {refusal.sample}"
            yield f"{refusal.place}: {what}"
        if len(refusals) > REFUSALS_SHOWN:
            yield f"More kinds of refusal in the log: {len(refusals) - REFUSALS_SHOWN}."

    def _way(self, way_m: float) -> str:
        miles, kilometres = way_m / METRES_PER_MILE, way_m / 1000
        return self._in_order(f"{miles:.2f} mi", f"{kilometres:.2f} km")

    def _in_order(self, per_mile: str, per_kilometre: str) -> str:
        if self.settings.van.distance == "mile":
            return f"{per_mile} ({per_kilometre})"
        return f"{per_kilometre} ({per_mile})"


def _out_in(out_wh: float, in_wh: float) -> str:
    return f"{_kwh(out_wh)} out, {_kwh(in_wh)} in, {_kwh(out_wh - in_wh)} net"


def _kwh(wh: float) -> str:
    return f"{wh / 1000:.3f} kWh"


def _duration(seconds: float) -> str:
    minutes, rest = divmod(round(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours} h {minutes:02d} min" if hours else f"{minutes} min {rest:02d} s"
