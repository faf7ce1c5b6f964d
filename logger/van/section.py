"""What every section of the van file is made of: its base and its kinds of value."""

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field

Name = Annotated[
    str,
    Field(
        pattern=r"^[a-z][a-z0-9_]{0,31}$",
        description="a name of lower-case letters, digits and _, letter first",
    ),
]
Text = Annotated[str, Field(min_length=1)]
Texts = Annotated[tuple[str, ...], Field(strict=False)]
Parts = Annotated[tuple[Text, ...], Field(strict=False, min_length=1)]
Numbers = Annotated[tuple[float, ...], Field(strict=False)]
Pair = Annotated[tuple[float, float], Field(strict=False)]
Pairs = Annotated[tuple[Pair, ...], Field(strict=False)]
# TOML has lists; a tuple is what stays frozen.


class Section(BaseModel):
    """Base of every section: frozen, typed strictly, no unknown keys."""

    model_config = ConfigDict(
        frozen=True, extra="forbid", strict=True, allow_inf_nan=False
    )
