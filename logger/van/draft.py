"""A van file under inspection: its sections one by one, sound or not.

A section with a fault is kept with what is sound in it, so that its other faults, and
those of sections that refer to it, are found in the same pass. Only a draft without
faults becomes settings.
"""

import difflib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Generic, TypeVar

from pydantic import ValidationError

from logger.van.faults import closest, finding_fault, nearest, shown
from logger.van.section import Section
from logger.van.settings import (
    REPEATED,
    SINGLE,
    PackSection,
    Settings,
    VanSection,
)

Note = Callable[[str, str, str], None]
"""Takes one fault: the section and key, what was found there, what to do."""

S = TypeVar("S", bound=Section)


@dataclass(frozen=True, slots=True)
class Numbered(Generic[S]):
    """One section of a repeated kind.

    Attributes:
        place: How it is called in messages, with its number in the file.
        section: Its keys; where it is not whole, faulty ones have their default, and
            keys without a default are None.
        is_whole: True if nothing in it is wrong by itself.
    """

    place: str
    section: S
    is_whole: bool


@dataclass(slots=True)
class Draft:
    """The sections of a van file.

    Args:
        note: Called for every fault.
    """

    note: Note
    single: dict[str, Section] = field(default_factory=dict)
    repeated: dict[str, list[Numbered[Section]]] = field(default_factory=dict)

    def fill(self, raw: Mapping[str, object]) -> None:
        """Take the sections of a parsed file and note what is wrong in each."""
        if "van" not in raw:
            self.note("[van]", "nothing", "Begin with [van] and the van's name.")
        for key, value in raw.items():
            meant = key if key in SINGLE or key in REPEATED else self._meant(key, raw)
            if meant in SINGLE:
                self._fill_single(meant, value)
            elif meant in REPEATED:
                self._fill_repeated(meant, value)

    def _meant(self, key: str, raw: Mapping[str, object]) -> str | None:
        """Note a section that does not exist; return the one that was meant."""
        known = (*SINGLE, *REPEATED)
        fix = f"There is no such section. {nearest(key, known)}"
        self.note(key, shown(raw[key]), fix)
        meant = closest(key, known)
        return None if meant in raw else meant

    def _fill_single(self, key: str, value: object) -> None:
        if isinstance(value, list) and len(value) == 1:
            self.note(key, shown(value), f"Write this section as [{key}].")
            value = value[0]
        elif not isinstance(value, dict):
            self.note(key, shown(value), f"Write this section as [{key}].")
            return
        self.single[key] = self._section(f"[{key}]", SINGLE[key], value).section

    def _fill_repeated(self, key: str, value: object) -> None:
        if not isinstance(value, list):
            self.note(key, shown(value), f"Write this section as [[{key}]].")
            value = [value] if isinstance(value, dict) else []
        _, model = REPEATED[key]
        self.repeated[key] = [
            self._section(f"[[{key}]] {number}", model, entry)
            for number, entry in enumerate(value, start=1)
        ]

    def each(self, model: type[S]) -> list[Numbered[S]]:
        """Return the sections of one repeated kind, sound or not, in file order."""
        return [
            Numbered(each.place, each.section, each.is_whole)
            for sections in self.repeated.values()
            for each in sections
            if isinstance(each.section, model)
        ]

    @property
    def van(self) -> VanSection | None:
        """The section [van], if there is one."""
        section = self.single.get("van")
        return section if isinstance(section, VanSection) else None

    @property
    def pack(self) -> PackSection | None:
        """The section [pack], if there is one."""
        section = self.single.get("pack")
        return section if isinstance(section, PackSection) else None

    def settings(self) -> Settings:
        """Return the settings of a draft in which nothing is wrong."""
        lists = {
            REPEATED[key][0]: tuple(each.section for each in sections)
            for key, sections in self.repeated.items()
        }
        return Settings.model_validate({**self.single, **lists})

    def _section(
        self, place: str, model: type[Section], value: object
    ) -> Numbered[Section]:
        try:
            return Numbered(place, model.model_validate(value), True)
        except ValidationError as err:
            given = value if isinstance(value, dict) else {}
            return Numbered(place, self._rest(place, model, given, err), False)

    def _rest(
        self,
        place: str,
        model: type[Section],
        given: Mapping[str, object],
        error: ValidationError,
    ) -> Section:
        """Note each key that is wrong; return the section without them."""
        findings = error.errors(include_url=False)
        wrong = {str(f["loc"][0]) for f in findings if f["loc"]}
        keys = model.model_fields
        absent = {key for key in keys if key in wrong and key not in given}
        kept = {key: value for key, value in given.items() if key not in wrong}
        meant: set[str] = set()
        for key in wrong - set(keys):
            # A misspelt key is one fault, not also the lack of the one that was meant.
            close = difflib.get_close_matches(key, absent, n=1)
            meant |= set(close)
            kept |= dict.fromkeys(close, given[key])
        told: set[str] = set()
        for finding in findings:
            key = str(finding["loc"][0]) if finding["loc"] else ""
            if key not in told and key not in meant:
                fault = finding_fault(f"{place} {key}".rstrip(), model, finding)
                self.note(fault.where, fault.saw, fault.fix)
            told.add(key)
        return _built(model, kept)


def _built(model: type[Section], kept: Mapping[str, object]) -> Section:
    """Return a section of what is sound in `kept`; keys without a value are None."""
    sound = dict(kept)
    try:
        model.model_validate(sound)
    except ValidationError as err:
        for finding in err.errors(include_url=False):
            sound.pop(str(finding["loc"][0]), None)
    empty = dict.fromkeys(
        key
        for key, info in model.model_fields.items()
        if info.is_required() and key not in sound
    )
    return model.model_construct(**{**empty, **sound})  # type: ignore[arg-type]
