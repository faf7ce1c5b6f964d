"""What the API answers: every field with unit, sign and meaning.

Missing is null, never 0. SI units; the suffix of a name is its unit. Names and meaning
only; nothing is worked out here.
"""

from pydantic import BaseModel, Field

NULL = "null where it was not measured"


class Hello(BaseModel):
    """What anybody may know, paired or not."""

    program: str = Field(description="Name of the program.")
    version: str = Field(description="Its version.")
    is_demo: bool = Field(description="True if an invented van is shown.")
    is_open: bool = Field(
        description="True for a browser on this very computer that needs no pairing."
    )
    is_paired: bool = Field(description="True for a paired phone.")


class TripRow(BaseModel):
    """One trip. Energies of the pack are both at least 0; charge is into the pack."""

    run: int = Field(description="Number of the run.")
    start_us: int = Field(
        description="First sample, microseconds since the run's zero; with `run` the "
        "name of the trip."
    )
    end_us: int = Field(description="Last sample, microseconds since the run's zero.")
    start_utc: str | None = Field(
        description="First sample, ISO 8601 UTC; null where the run has no date."
    )
    end_utc: str | None = Field(description="Last sample, ISO 8601 UTC, or null.")
    is_date_sure: bool = Field(
        description="False while only the computer's own clock gave the dates."
    )
    duration_s: float = Field(description="From the first to the last sample, s.")
    skipped_s: float = Field(
        description="Time within that way or charge were not seen, s; then all sums "
        "are at least what they say."
    )
    distance_m: float | None = Field(description=f"Way, m; {NULL}.")
    energy_out_wh: float | None = Field(description=f"Left the pack, Wh; {NULL}.")
    energy_in_wh: float | None = Field(description=f"Entered the pack, Wh; {NULL}.")
    energy_net_wh: float | None = Field(description=f"Out less in, Wh; {NULL}.")
    used_wh: float | None = Field(
        description=f"Net, sun and shore: what road and house took, Wh; {NULL}."
    )
    wh_per_km: float | None = Field(
        description="`used_wh` a kilometre, Wh/km; null where the way is too short."
    )
    charge_net_ah: float | None = Field(
        description=f"Charge into the pack, Ah, negative on a drive; {NULL}."
    )
    sun_wh: float | None = Field(description=f"Energy of all strings, Wh; {NULL}.")
    shore_wh: float | None = Field(
        description=f"Energy of all chargers into the van's DC side, Wh; {NULL}."
    )
    soc_start_pct: float | None = Field(description="State of charge at the start, %.")
    soc_end_pct: float | None = Field(description="State of charge at the end, %.")
    soc_low_end_pct: float | None = Field(description="Low end of its 95 % band, %.")
    soc_high_end_pct: float | None = Field(description="High end of its 95 % band, %.")
    soc_counted_change_pct: float | None = Field(
        description="Change of the bare count, points."
    )


class Channel(BaseModel):
    """One channel over the stretch; three columns as long as `t_s`."""

    unit: str = Field(description="Symbol of its unit.")
    low: list[float | None] = Field(description="Lowest in the bucket; null in a gap.")
    mean: list[float | None] = Field(description="Time-weighted mean; null in a gap.")
    high: list[float | None] = Field(description="Highest; null in a gap.")


class Series(BaseModel):
    """Channels over a stretch of a run, as columns of equal length."""

    run: int = Field(description="Number of the run.")
    zero_utc: str | None = Field(
        description="Date of the run's zero, ISO 8601 UTC; null where it has none."
    )
    is_date_sure: bool = Field(
        description="False while only the computer's own clock gave that date."
    )
    step_s: int = Field(description="Width of a bucket, s.")
    run_s: list[int] = Field(
        description="Start of each bucket, s since the run's zero, ascending."
    )
    t_s: list[float] = Field(
        description="The same, s since the Unix epoch; where the run has no date, by "
        "the stamps of the recording."
    )
    channels: dict[str, Channel] = Field(description="By channel name, as asked for.")


class History(BaseModel):
    """Channels by date, over all runs, as columns of equal length."""

    step_s: float = Field(description="Width of a bucket, s.")
    t_s: list[float] = Field(
        description="Start of each bucket, s since the Unix epoch, ascending."
    )
    channels: dict[str, Channel] = Field(description="By channel name, as asked for.")


class EventOut(BaseModel):
    """Something that happened to the record itself."""

    run: int = Field(description="Number of the run.")
    t_us: int = Field(description="When, microseconds since the run's zero.")
    t_utc: str | None = Field(description="The same, ISO 8601 UTC; null without date.")
    is_date_sure: bool = Field(
        description="False while only the computer's own clock gave that date."
    )
    kind: str = Field(description="What kind of event.")
    text: str = Field(description="What happened, in words.")


class NoteIn(BaseModel):
    """Words to keep with the record."""

    text: str = Field(min_length=1, max_length=2000, description="The words.")


class ReadingIn(BaseModel):
    """A value that a person read off or knows."""

    channel: str = Field(
        max_length=100,
        description="Name of the channel, for example `awning.left.extended`.",
    )
    value: float = Field(
        allow_inf_nan=False, description="Its value, in the channel's unit and sign."
    )


class OnDesk(BaseModel):
    """What was laid on the desk."""

    number: int = Field(
        description="Number of the entry. It is booked once `desk_entry` of the "
        "snapshot has come as far."
    )
