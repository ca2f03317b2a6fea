"""Bench files: which instrument plays which role, on which part, over which resource.

One file serves a run and a dry run. Reading it gathers every problem, each with its key path and
its line. The module knows no recipe and opens nothing.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from pydantic import Field, field_validator

from drivers.bench_beginnings import judge_beginnings
from drivers.bench_conditions import read_conditions
from drivers.bench_leads import LeadsEntry
from drivers.bench_lines import LineEntry, judge_box, judge_felt, judge_shared
from drivers.bench_sensors import judge_sensors, read_sensor
from drivers.bench_wiring import judge_common, judge_parts
from drivers.digital_box import DigitalBox, load_digital_box, read_digital_box
from drivers.faults import BenchFileError
from drivers.fields import Data, Hertz
from drivers.located import Path as KeyPath
from drivers.located import Places, parse_toml, suggestion, validate, written
from drivers.sensors import Sensor
from drivers.simulated.conditions import Conditions
from drivers.simulated.parts import MODELS
from drivers.simulated.parts.base import PartModel
from drivers.specification import Specification, load_specification, read_specification
from drivers.tolerances import Tolerance, judge_ends, put, take_off
from grammar.diagnostic import NOWHERE, Problems, Source
from grammar.quantity import Quantity, write

_LARGEST_FILE = 1_000_000
_PORT = re.compile(r"TCPIP\d*::.*::(\d{1,20})::SOCKET", re.IGNORECASE)
_NAME = re.compile(r"[A-Za-z_][A-Za-z0-9_]*\Z")


class ChannelEntry(Data):
    """A channel as the bench file has it.

    `resource` is a VISA resource name, `library` the VISA library (none for the system's own),
    `dialect` a name or a path, `identity` a pattern for the answer to `*IDN?`. `part` is a part, or
    PART.PAIR where it has several pairs of terminals; `common` are the terminals (CHANNEL.high or
    CHANNEL.low) that share the potential of this channel's low; `sensor` is as it is written, and
    the bench file has it resolved.
    """

    specification: str = Field(min_length=1, examples=["demo-source-measure"])
    resource: str | None = Field(default=None, min_length=1)
    library: str | None = Field(default=None, min_length=1)
    dialect: str | None = Field(default=None, min_length=1)
    identity: str | None = Field(default=None, min_length=1)
    part: str | None = Field(default=None, min_length=1)
    terminals: str | None = Field(default=None, min_length=1)
    common: tuple[str, ...] = ()
    sensor: dict[str, Any] | None = None
    leads: LeadsEntry = LeadsEntry()

    @field_validator("resource")
    @classmethod
    def _has_a_port(cls, value: str | None) -> str | None:
        # RFC 793: a port is a number of 16 bits.
        found = _PORT.fullmatch(value or "")
        if found and int(found[1]) > 65535:
            raise ValueError(f"names port {found[1]}: ports end at 65535")
        return value

    @field_validator("identity")
    @classmethod
    def _is_a_pattern(cls, value: str | None) -> str | None:
        try:
            re.compile(value or "")
        except re.error as error:
            raise ValueError(f"is no regular expression: {error}") from None
        return value


class _Top(Data):
    """The keys outside of channels, lines and parts."""

    title: str = Field(default="", max_length=200)
    # Railways have 16.7 Hz and aircraft 400 Hz (common practice, no source): beyond, it is a slip.
    line_frequency: Hertz = Field(ge=10, le=1000, examples=["50 Hz"])
    channels: dict[str, Any] = Field(min_length=1)
    digital: dict[str, Any] = Field(default_factory=dict)
    parts: dict[str, Any] = Field(default_factory=dict)
    conditions: dict[str, Any] = Field(default_factory=dict)


_UNPLACED = Places("")


@dataclass(frozen=True)
class BenchFile:
    """A bench file that holds together; specifications, parts and sensors are resolved.

    `specifications` hold what the leads let in, too; `digital` are the digital lines, `boxes` the
    boxes of those that name one, `sensors` those of the channels that read one, `conditions` what
    surrounds the bench in the simulation. `specification_texts` holds the specifications' own texts
    by the names given, for the record. `tolerances` are those of parts and leads by key path, which
    the rest leaves aside; `tables` is what was written, without them.
    """

    path: Path
    text: str
    title: str
    line_frequency_hz: float
    channels: Mapping[str, ChannelEntry]
    digital: Mapping[str, LineEntry]
    boxes: Mapping[str, DigitalBox]
    parts: Mapping[str, PartModel]
    conditions: Conditions
    sensors: Mapping[str, Sensor]
    specifications: Mapping[str, Specification]
    specification_texts: Mapping[str, str]
    tolerances: Mapping[KeyPath, Tolerance] = field(default_factory=dict)
    tables: Mapping[str, Any] = field(default_factory=dict)

    def varied(self, values: Mapping[KeyPath, float]) -> BenchFile:
        """The same bench with other values (SI) of what has a tolerance.

        Raises BenchFileError where they don't go together, though each may be what it is.
        """
        quantities = {k: Quantity(v, self.tolerances[k].dimension) for k, v in values.items()}
        tables = put(self.tables, quantities)
        problems, places = Problems(Source(str(self.path), self.text), fault="bench"), _UNPLACED
        parts, channels = dict(self.parts), dict(self.channels)
        for table, name in dict.fromkeys((path[0], str(path[1])) for path in values):
            entry = tables[str(table)][name]
            if table == "parts":
                part = _part(name, entry, problems, places)
                parts |= {} if part is None else {name: part}
            else:
                channel = _channel(name, entry, problems, places)
                channels |= {} if channel is None else {name: channel}
        if problems.has_errors:
            said = ", ".join(f"{written(k)} = {write(*q)}" for k, q in quantities.items())
            raise BenchFileError(
                f"{self.path}: the parameters drawn don't go together ({said}): "
                f"{next(iter(problems)).message}",
                "Make the tolerances smaller.",
            )
        return replace(self, parts=parts, channels=channels)


def load_bench(path: Path) -> tuple[BenchFile | None, Problems]:
    """A bench file with every problem found in it; None where one of them is an error."""
    problems = Problems(Source(str(path), ""), fault="bench")
    try:
        raw = path.read_bytes()
        if len(raw) > _LARGEST_FILE:
            raise ValueError("it is too large")
        text = raw.decode("utf-8-sig")  # some editors begin a file with a byte-order mark
    except (OSError, ValueError) as error:
        why = error.strerror if isinstance(error, OSError) else error
        if isinstance(error, UnicodeDecodeError):
            why = "it is no UTF-8 text"
        problems.error("bench-file", NOWHERE, f"the bench file can't be read: {why}")
        return None, problems
    return read_bench(path, text)


def read_bench(
    path: Path, text: str, specification_texts: Mapping[str, str] | None = None
) -> tuple[BenchFile | None, Problems]:
    """As `load_bench`, from the file's text; `path` is what its relative paths start from.

    Specifications come from their texts, by name, where these are given: then no file is read.
    """
    problems = Problems(Source(str(path), text), fault="bench")
    data = parse_toml(problems, "bench")
    if data is None:
        return None, problems
    places = Places(text)
    data, tolerances = take_off(data, problems, places)
    top = validate(_Top, data, problems, places, "bench")
    channels, parts = _table(data, "channels"), _table(data, "parts")
    digital = _table(data, "digital")
    for table, names in (("channels", channels), ("digital", digital), ("parts", parts)):
        for name in names:
            _judge_name((table, name), problems, places)
    models = {name: _part(name, entry, problems, places) for name, entry in parts.items()}
    lines = {name: _line(name, entry, problems, places) for name, entry in digital.items()}
    entries = {name: _channel(name, entry, problems, places) for name, entry in channels.items()}
    sensors = {
        name: sensor
        for name in channels
        if (sensor := read_sensor(name, _table(channels, name), problems, places)) is not None
    }
    _judge_wiring(entries, models, problems, places)
    conditions = read_conditions(_table(data, "conditions"), problems, places)
    texts: dict[str, str] = {}
    given = specification_texts or {}
    specifications = {
        name: _specification(name, entry, path, given, texts, problems, places)
        for name, entry in entries.items()
        if entry is not None
    }
    judge_sensors(sensors, specifications, problems, places)
    boxes: dict[str, DigitalBox] = {}
    known_lines = {name: entry for name, entry in lines.items() if entry is not None}
    for name, line in known_lines.items():
        box = _box(name, line, path, given, texts, problems, places)
        if box is not None:
            judge_box(name, line, box, problems, places)
            boxes[name] = box
    judge_shared(known_lines, problems, places)
    felt = {name: model.lines for name, model in models.items() if model is not None}
    judge_felt(felt, lines, problems, places)
    if not problems.has_errors:
        judge_beginnings(models, conditions, problems, places)
        judge_ends(tolerances, data, _entry_at, problems, places)
    if top is None or problems.has_errors:
        return None, problems
    return (
        BenchFile(
            path=path,
            text=text,
            title=top.title,
            line_frequency_hz=top.line_frequency,
            channels={name: entry for name, entry in entries.items() if entry is not None},
            digital=known_lines,
            boxes=boxes,
            parts={name: model for name, model in models.items() if model is not None},
            conditions=conditions,
            sensors=sensors,
            specifications={name: s for name, s in specifications.items() if s is not None},
            specification_texts=texts,
            tolerances=tolerances,
            tables=data,
        ),
        problems,
    )


def _entry_at(
    tables: Mapping[str, Any], path: KeyPath, problems: Problems, places: Places
) -> object:
    """What a path leads into, a part or a channel, with its problems told."""
    table, name = str(path[0]), str(path[1])
    read_entry = _part if table == "parts" else _channel
    return read_entry(name, tables[table][name], problems, places)


def _table(data: Mapping[str, Any], key: str) -> Mapping[str, Any]:
    table = data.get(key)
    return table if isinstance(table, dict) else {}


def _judge_name(path: KeyPath, problems: Problems, places: Places) -> None:
    if not _NAME.match(str(path[-1])):
        problems.error(
            "bench-name",
            places.key(path),
            f"“{path[-1]}” can't be a name",
            "Names are letters, digits and _, and don't start with a digit.",
        )


def _is_table(path: KeyPath, entry: Any, problems: Problems, places: Places) -> bool:
    if not isinstance(entry, dict):
        name = ".".join(map(str, path))
        problems.error("bench-value", places.value(path), f"“{name}” must be a table")
    return isinstance(entry, dict)


def _line(name: str, entry: Any, problems: Problems, places: Places) -> LineEntry | None:
    path: KeyPath = ("digital", name)
    if not _is_table(path, entry, problems, places):
        return None
    return validate(LineEntry, entry, problems, places, "bench", path)


def _part(name: str, entry: Any, problems: Problems, places: Places) -> PartModel | None:
    path: KeyPath = ("parts", name)
    if not _is_table(path, entry, problems, places):
        return None
    model = entry.get("model")
    known = sorted(MODELS)
    if model is None:
        problems.error(
            "bench-missing",
            places.key(path),
            f"“parts.{name}” lacks “model”",
            f'For example: model = "{known[0]}". {suggestion("", known)}',
        )
        return None
    if not isinstance(model, str) or model not in MODELS:
        problems.error(
            "bench-model",
            places.value((*path, "model")),
            f"there is no model “{model}” of a part",
            suggestion(str(model), known),
        )
        return None
    return validate(MODELS[model], entry, problems, places, "bench", path)


def _channel(name: str, entry: Any, problems: Problems, places: Places) -> ChannelEntry | None:
    path: KeyPath = ("channels", name)
    if not _is_table(path, entry, problems, places):
        return None
    return validate(ChannelEntry, entry, problems, places, "bench", path)


def _judge_wiring(
    entries: Mapping[str, ChannelEntry | None],
    models: Mapping[str, PartModel | None],
    problems: Problems,
    places: Places,
) -> None:
    """What hangs on which channel, and which of their terminals are joined."""
    known = {name: entry for name, entry in entries.items() if entry is not None}
    judge_parts(
        {name: entry.part for name, entry in known.items() if entry.part is not None},
        {name: model.ports if model is not None else () for name, model in models.items()},
        [name for name, entry in known.items() if entry.sensor is not None],
        problems,
        places,
    )
    common = {name: entry.common for name, entry in known.items()}
    judge_common(common, list(entries), problems, places)


def _specification(
    name: str,
    entry: ChannelEntry,
    path: Path,
    given: Mapping[str, str],
    texts: dict[str, str],
    problems: Problems,
    places: Places,
) -> Specification | None:
    """The channel's specification and its text; problems inside are located in its own file."""
    named = entry.specification
    specification, inside = (
        read_specification(Source(named, given[named]))
        if named in given
        else load_specification(named, path.parent)
    )
    texts[named] = inside.source.text
    _pass_on(inside, ("channels", name, "specification"), problems, places)
    if specification is None or entry.leads.shield is None:
        return specification
    let_in = {
        "stray_current": specification.stray_current + abs(entry.leads.stray),
        "stray_pick_up": specification.stray_pick_up + entry.leads.line_pick_up,
    }
    return specification.model_copy(update=let_in)


def _box(
    name: str,
    entry: LineEntry,
    path: Path,
    given: Mapping[str, str],
    texts: dict[str, str],
    problems: Problems,
    places: Places,
) -> DigitalBox | None:
    """The specification of a line's box, as `_specification`; None where it names none."""
    named = entry.specification
    if named is None:
        return None
    box, inside = (
        read_digital_box(Source(named, given[named]))
        if named in given
        else load_digital_box(named, path.parent)
    )
    texts[named] = inside.source.text
    _pass_on(inside, ("digital", name, "specification"), problems, places)
    return box


def _pass_on(inside: Problems, at: KeyPath, problems: Problems, places: Places) -> None:
    """The problems of a file that is named at a key path, each told once."""
    for problem in inside:
        if problem.slug == "specification-file":
            place = places.value(at)
            problems.error("bench-specification", place, problem.message, problem.hint)
        elif problem not in problems.found:
            problems.found.append(problem)
