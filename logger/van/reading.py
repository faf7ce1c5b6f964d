"""Reads a van file and the descriptions it names, and finds every fault at once.

Reads files; opens no bus and no port. What the feeds come to is worked out in
`binding`.
"""

import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path
from zoneinfo import ZoneInfo

from logger.core.chemistry import cell_voltage_v
from logger.errors import ConfigError, Fault
from logger.pipeline.spec import PipelineSpec
from logger.van.binding import bind_feeds, pipeline_spec
from logger.van.describing import DescriptionFile, Descriptions, why_unread
from logger.van.draft import Draft, Numbered, S
from logger.van.faults import shown
from logger.van.settings import (
    BusSection,
    DescriptionSection,
    PackSection,
    Settings,
    TableSection,
)
from logger.van.usual_feeds import add_usual_feeds


@dataclass(frozen=True, slots=True)
class TableSource:
    """One kind of table: its settings and the columns in the order of its feeds."""

    settings: TableSection
    columns: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Van:
    """A sound van file and everything made from it.

    Attributes:
        path: Where it was read from.
        text: The file itself, as every run stores it.
        settings: Its sections.
        descriptions: The description files that it names.
        buses: Bus names by the interface that a recording names.
        tables: The tables, by name.
        spec: What the pipeline needs.
    """

    path: Path
    text: str
    settings: Settings
    descriptions: tuple[DescriptionFile, ...]
    buses: Mapping[str, str]
    tables: Mapping[str, TableSource]
    spec: PipelineSpec


def read_van(path: Path) -> Van:
    """Return the van that a file describes.

    Args:
        path: The van file (TOML). Files that it names are looked for beside it.

    Raises:
        ConfigError: Something is wrong; the error carries every fault found.
    """
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, ValueError) as err:
        raise ConfigError(
            where=str(path),
            saw=why_unread(err),
            fix="Give a van file that can be read, UTF-8 text in TOML.",
        ) from err
    try:
        raw = tomllib.loads(text)
    except (ValueError, RecursionError) as err:
        # Besides broken TOML: numbers and nesting beyond what Python reads.
        raise ConfigError(
            where=path.name, saw=str(err), fix="Mend the line; the file must be TOML."
        ) from err
    return _Reading(path, text).read(raw)


def read_settings(text: str) -> Settings:
    """Return the sections of the text of a van file, without what they name.

    For the van file of an old run, whose descriptions may be gone.

    Raises:
        ConfigError: A section is not sound by itself.
    """
    faults: list[Fault] = []
    draft = Draft(lambda where, saw, fix: faults.append(Fault(where, saw, fix)))
    try:
        draft.fill(tomllib.loads(text))
    except (ValueError, RecursionError) as err:
        faults.append(Fault("van file", str(err), "Mend the line."))
    add_usual_feeds(draft)
    if faults:
        raise ConfigError.of(faults)
    return draft.settings()


@dataclass(slots=True)
class _Reading:
    """One reading under way: what is sound so far, and the faults in file order."""

    path: Path
    text: str
    faults: list[Fault] = field(default_factory=list)

    def read(self, raw: Mapping[str, object]) -> Van:
        draft = Draft(self._fault)
        draft.fill(raw)
        add_usual_feeds(draft)
        self._check_names(draft)
        self._check_zones(draft)
        if draft.pack is not None:
            self._check_pack(draft.pack)
        buses = [bus.section.name for bus in draft.each(BusSection)]
        descriptions = Descriptions(self.path.parent, self._fault)
        for each in draft.each(DescriptionSection):
            descriptions.read(each, buses)
        feeds, columns = bind_feeds(draft, descriptions.of_bus, self._fault)
        if self.faults:
            raise ConfigError.of(self.faults)
        settings = draft.settings()
        return Van(
            path=self.path,
            text=self.text,
            settings=settings,
            descriptions=tuple(descriptions.files),
            buses={bus.interface: bus.name for bus in settings.buses},
            tables={
                table.name: TableSource(table, columns.get(table.name, ()))
                for table in settings.tables
            },
            spec=pipeline_spec(settings, feeds),
        )

    def _fault(self, section: str, saw: str, fix: str) -> None:
        self.faults.append(Fault(f"{self.path.name} {section}", saw, fix))

    def _check_names(self, draft: Draft) -> None:
        for sections in draft.repeated.values():
            self._check_unlike(sections, "name")
        self._check_unlike(draft.each(BusSection), "interface")

    def _check_unlike(self, sections: Sequence[Numbered[S]], key: str) -> None:
        """Note every section whose key has the value of an earlier one's."""
        seen: set[str] = set()
        for each in sections:
            own = getattr(each.section, key, None)
            if own in seen:
                fix = f"Give each its own {key}."
                self._fault(f"{each.place} {key}", shown(own), fix)
            if isinstance(own, str):
                seen.add(own)

    def _check_zones(self, draft: Draft) -> None:
        tables = draft.each(TableSection)
        places = [(each.place, each.section.time_zone) for each in tables]
        if draft.van is not None:
            places.insert(0, ("[van]", draft.van.time_zone))
        for place, zone in places:
            if not _is_zone(zone):
                fix = "Give an IANA time zone, for example Europe/Lisbon or UTC."
                self._fault(f"{place} time_zone", shown(zone), fix)
        for each in tables:
            encoding, form = each.section.encoding, each.section.time_format
            if not _is_encoding(encoding):
                fix = "Give a text encoding, for example utf-8 or latin-1."
                self._fault(f"{each.place} encoding", shown(encoding), fix)
            if not _is_time_format(form):
                fix = 'Give "seconds", "iso", or a pattern such as "%d.%m.%Y %H:%M".'
                self._fault(f"{each.place} time_format", shown(form), fix)

    def _check_pack(self, pack: PackSection) -> None:
        if pack.chemistry is not None and pack.open_circuit is not None:
            self._fault(
                "[pack] open_circuit",
                "a table beside a chemistry",
                "Give one of the two: the chemistry or your own table.",
            )
        own = pack.open_circuit
        if own is not None and not _is_curve(own):
            self._fault(
                "[pack] open_circuit",
                shown([list(pair) for pair in own]),
                "Give pairs of percent and volts that rise, from 0 to 100 %.",
            )
            return
        full_v, curve = pack.full_charge_voltage_v, pack.curve()
        if full_v is not None and curve is not None and pack.series_groups is not None:
            low_v, high_v = (
                pack.series_groups * volts
                for volts in (cell_voltage_v(curve, 50.0), curve[-1][1] + 0.1)
            )
            if not low_v <= full_v <= high_v:
                self._fault(
                    "[pack] full_charge_voltage_v",
                    shown(full_v),
                    f"Give a voltage from {low_v:.1f} to {high_v:.1f} V, or mend "
                    "series_groups or the table: the three do not go together.",
                )
        if pack.start_soc_pct is not None and pack.start_from_meter:
            self._fault(
                "[pack] start_from_meter",
                "true beside start_soc_pct",
                "Give one of the two: a start or where to take it from.",
            )


def _is_zone(name: str) -> bool:
    try:
        ZoneInfo(name)
    except (OSError, ValueError, KeyError):  # not found is a KeyError
        return False
    return True


def _is_encoding(name: str) -> bool:
    try:
        b"0,1".decode(name, errors="replace")
    except (LookupError, ValueError):  # no such, or none that reads text
        return False
    return True


def _is_time_format(form: str) -> bool:
    if form in ("seconds", "iso"):
        return True
    if "%d" in form and "%Y" not in form and "%y" not in form:
        return False  # a day without its year is no date
    sample = datetime(2024, 6, 28, 10, 2, 15, tzinfo=UTC)
    try:
        datetime.strptime(sample.strftime(form), form)  # noqa: DTZ007 (only tried)
    except (ValueError, re.error):
        return False
    return "%" in form


def _is_curve(curve: Sequence[tuple[float, float]]) -> bool:
    rises = all(b[0] > a[0] and b[1] > a[1] for a, b in pairwise(curve))
    return len(curve) >= 2 and curve[0][0] == 0 and curve[-1][0] == 100 and rises
