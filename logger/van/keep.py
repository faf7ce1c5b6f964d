"""The section [keep]: what the log keeps, for how long, and how large it may get."""

from pydantic import Field

from logger.van.section import Section


class KeepSection(Section):
    """What the log keeps, for how long, and how large it may get."""

    size_mb: float = Field(
        default=8000.0,
        ge=1,
        le=1e7,
        description="how large the log may get, in megabytes; the oldest frames go "
        "first, then the oldest seconds, never the sums",
    )
    frames_mb: float = Field(
        default=2000.0,
        ge=0,
        le=1e7,
        description="how much of it frames and lines may take, in megabytes; 0 keeps "
        "none",
    )
    frames_days: float = Field(
        default=30.0, ge=0, le=36_500, description="how long frames and lines are kept"
    )
    seconds_days: float = Field(
        default=200.0, ge=1, le=36_500, description="how long seconds are kept"
    )
    minutes_days: float = Field(
        default=800.0, ge=1, le=36_500, description="how long minutes are kept"
    )
    quarters_days: float | None = Field(
        default=None,
        ge=1,
        le=36_500,
        description="how long quarters of an hour are kept, for ever without it; "
        "trips and sums are always kept",
    )
    copies: int = Field(
        default=0, ge=0, le=366, description="how many daily copies of the log are kept"
    )
    copy_folder: str = Field(
        default="",
        description="the folder for the copies, best on another card; without it the "
        "folder of the log",
    )
