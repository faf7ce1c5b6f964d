"""Reads a van file and the descriptions it names, and finds every fault at once.

Reads files; opens no bus and no port. What the feeds come to is worked out in
`binding`.
"""

import codecs
import hashlib
import tomllib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path
from zoneinfo import ZoneInfo

from pydantic import ValidationError

from logger.decode.descriptions import (
    DescribedMessage,
    DescriptionError,
    Form,
    Match,
    message_key,
    read_description,
)
from logger.errors import ConfigError, Fault
from logger.pipeline.spec import PipelineSpec
from logger.van.binding import BusMessages, bind_feeds
from logger.van.faults import nearest, section_faults, shown
from logger.van.settings import (
    REPEATED,
    SINGLE,
    DescriptionSection,
    PackSection,
    Section,
    Settings,
    TableSection,
)

DESCRIPTION_ENCODING = {Form.DBC: "cp1252", Form.KCD: "utf-8"}
"""What files of each form are written in, by convention of the form."""


@dataclass(frozen=True, slots=True)
class DescriptionFile:
    """One description as it was read, by its name in the van file and its digest."""

    name: str
    sha256: str


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
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as err:
        raise ConfigError(
            where=str(path),
            saw=_reason(err),
            fix="Give a van file that can be read, UTF-8 text in TOML.",
        ) from err
    try:
        raw = tomllib.loads(text)
    except tomllib.TOMLDecodeError as err:
        raise ConfigError(
            where=path.name, saw=str(err), fix="Mend the line; the file must be TOML."
        ) from err
    return _Reading(path, text).read(raw)


def _reason(err: OSError | ValueError) -> str:
    if isinstance(err, OSError):
        return (err.strerror or str(err)).lower()
    return "text that is not UTF-8"


@dataclass(slots=True)
class _Reading:
    """One reading under way: what is sound so far, and the faults in file order."""

    path: Path
    text: str
    faults: list[Fault] = field(default_factory=list)
    files: list[DescriptionFile] = field(default_factory=list)
    described: dict[str, BusMessages] = field(default_factory=dict)

    def read(self, raw: Mapping[str, object]) -> Van:
        settings = self._settings(raw)
        self._check_names(settings)
        self._check_zones(settings)
        if settings.pack is not None:
            self._check_pack(settings.pack)
        for number, section in enumerate(settings.descriptions, start=1):
            self._read_description(number, section, settings)
        spec, columns = bind_feeds(settings, self.described, self._fault)
        if self.faults:
            raise ConfigError.of(self.faults)
        return Van(
            path=self.path,
            text=self.text,
            settings=settings,
            descriptions=tuple(self.files),
            buses={bus.interface: bus.name for bus in settings.buses},
            tables={
                table.name: TableSource(table, columns.get(table.name, ()))
                for table in settings.tables
            },
            spec=spec,
        )

    def _fault(self, section: str, saw: str, fix: str) -> None:
        self.faults.append(Fault(f"{self.path.name} {section}", saw, fix))

    def _settings(self, raw: Mapping[str, object]) -> Settings:
        """Check section by section, so that one fault hides no other."""
        sound: dict[str, object] = {"van": SINGLE["van"].model_construct(name="")}
        if "van" not in raw:
            self._fault("[van]", "nothing", "Begin with [van] and the van's name.")
        for key, value in raw.items():
            if key in SINGLE and isinstance(value, dict):
                section = self._section(f"[{key}]", SINGLE[key], value)
                if section is not None:
                    sound[key] = section
            elif key in REPEATED and isinstance(value, list):
                name, model = REPEATED[key]
                sections = (
                    self._section(f"[[{key}]] {number}", model, entry)
                    for number, entry in enumerate(value, start=1)
                )
                sound[name] = tuple(each for each in sections if each is not None)
            elif key in SINGLE or key in REPEATED:
                form = f"[{key}]" if key in SINGLE else f"[[{key}]]"
                self._fault(key, shown(value), f"Write this section as {form}.")
            else:
                fix = f"There is no such section. {nearest(key, (*SINGLE, *REPEATED))}"
                self._fault(key, shown(value), fix)
        return Settings.model_construct(**sound)  # type: ignore[arg-type]

    def _section(
        self, place: str, model: type[Section], value: object
    ) -> Section | None:
        try:
            return model.model_validate(value)
        except ValidationError as err:
            self.faults += section_faults(f"{self.path.name} {place}", model, err)
            return None

    def _check_names(self, settings: Settings) -> None:
        for key, (name, _) in REPEATED.items():
            seen: set[str] = set()
            for number, section in enumerate(getattr(settings, name), start=1):
                own = getattr(section, "name", None)
                if own in seen:
                    self._fault(
                        f"[[{key}]] {number} name",
                        shown(own),
                        "Give each its own name.",
                    )
                if own is not None:
                    seen.add(own)
        interfaces: set[str] = set()
        for number, bus in enumerate(settings.buses, start=1):
            if bus.interface in interfaces:
                self._fault(
                    f"[[bus]] {number} interface",
                    shown(bus.interface),
                    "Give each bus its own interface.",
                )
            interfaces.add(bus.interface)

    def _check_zones(self, settings: Settings) -> None:
        places = [("[van] time_zone", settings.van.time_zone)]
        for number, table in enumerate(settings.tables, start=1):
            places.append((f"[[table]] {number} time_zone", table.time_zone))
            if not _is_encoding(table.encoding):
                self._fault(
                    f"[[table]] {number} encoding",
                    shown(table.encoding),
                    "Give a text encoding, for example utf-8 or latin-1.",
                )
        for place, zone in places:
            if not _is_zone(zone):
                fix = "Give an IANA time zone, for example Europe/Lisbon or UTC."
                self._fault(place, shown(zone), fix)

    def _check_pack(self, pack: PackSection) -> None:
        if pack.chemistry is not None and pack.open_circuit is not None:
            self._fault(
                "[pack] open_circuit",
                "a table beside a chemistry",
                "Give one of the two: the chemistry or your own table.",
            )
        curve = pack.open_circuit
        if curve is not None and not _is_curve(curve):
            self._fault(
                "[pack] open_circuit",
                shown([list(pair) for pair in curve]),
                "Give pairs of percent and volts that rise, from 0 to 100 %.",
            )
        if pack.start_soc_pct is not None and pack.start_from_meter:
            self._fault(
                "[pack] start_from_meter",
                "true beside start_soc_pct",
                "Give one of the two: a start or where to take it from.",
            )

    def _read_description(
        self, number: int, section: DescriptionSection, settings: Settings
    ) -> None:
        place = f"[[description]] {number}"
        buses = [bus.name for bus in settings.buses]
        if section.bus not in buses:
            self._fault(f"{place} bus", shown(section.bus), nearest(section.bus, buses))
        path = self.path.parent / section.file
        try:
            form = Form(path.suffix.lower().removeprefix("."))
        except ValueError:
            fix = "Give a file that ends in .dbc or .kcd."
            self._fault(f"{place} file", shown(section.file), fix)
            return
        try:
            content = path.read_bytes()
        except OSError as err:
            fix = "Give the file from the folder of the van file."
            self._fault(f"{place} file", f"{shown(section.file)} ({_reason(err)})", fix)
            return
        digest = hashlib.sha256(content).hexdigest()
        self.files.append(DescriptionFile(section.file, digest))
        text = content.decode(DESCRIPTION_ENCODING[form], errors="replace")
        try:
            messages = read_description(text, form)
        except DescriptionError as err:
            fix = "Mend the description; it must read as its ending says."
            self._fault(f"{place} file", f"{section.file}: {err}", fix)
            return
        self._keep_messages(place, section, messages)

    def _keep_messages(
        self,
        place: str,
        section: DescriptionSection,
        messages: Iterable[DescribedMessage],
    ) -> None:
        bus = self.described.setdefault(section.bus, BusMessages())
        for message in messages:
            if message.name in bus.known:
                fix = "Leave one of the two descriptions of this bus out."
                self._fault(f"{place} file", f"message {message.name} again", fix)
                continue
            bus.known[message.name] = message
            bus.keyed.append((message_key(message, Match(section.match)), message))


def _is_zone(name: str) -> bool:
    try:
        ZoneInfo(name)
    except (OSError, ValueError, KeyError):  # not found is a KeyError
        return False
    return True


def _is_encoding(name: str) -> bool:
    try:
        codecs.lookup(name)
    except LookupError:
        return False
    return True


def _is_curve(curve: Sequence[tuple[float, float]]) -> bool:
    rises = all(b[0] > a[0] and b[1] > a[1] for a, b in pairwise(curve))
    return len(curve) >= 2 and curve[0][0] == 0 and curve[-1][0] == 100 and rises
