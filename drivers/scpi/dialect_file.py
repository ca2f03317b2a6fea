"""Dialect files: found by name or path, read from TOML, judged line by line.

Problems are gathered with their key path and line, as for bench files. A file that passes holds
only program headers, numbers, keywords and the placeholders of its actions. The module opens no
link and sends nothing.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

from pydantic import BeforeValidator, Field

from drivers.faults import BenchFileError
from drivers.fields import Data
from drivers.located import Path as KeyPath
from drivers.located import Places, parse_toml, suggestion, validate
from drivers.scpi.dialect import (
    ACTIONS,
    FIELDS,
    LONGEST_UNIT,
    MOST_UNITS,
    PLACEHOLDER,
    UNIT_PATTERN,
    Command,
    Dialect,
)
from grammar.diagnostic import NOWHERE, Problems, Source, Span, draw

SHIPPED = Path(__file__).parent / "dialects"
_LARGEST_FILE = 65536
_PAIRS = (
    ("voltage_limit", "voltage_limit_high", "voltage_limit_low"),
    ("current_limit", "current_limit_high", "current_limit_low"),
)


# What an instrument is told for a capability, beyond what every dialect has to say. No dialect can
# say yet how a pulse or a capture is made.
_NEEDED: dict[str, tuple[str, tuple[str, ...]]] = {
    "pulse": ("pulses", ("pulse",)),
    "capture": ("captures", ("capture",)),
    "remote sense": ("remote sense", ("remote_sense",)),
    "two-sided limit": (
        "a limit with two sides",
        tuple(action for _, high, low in _PAIRS for action in (high, low)),
    ),
}


def _as_list(value: Any) -> Any:
    return [value] if isinstance(value, str) else value


Lines = Annotated[tuple[str, ...], BeforeValidator(_as_list), Field(max_length=MOST_UNITS)]


class CommandData(Data):
    """One action as written: the lines to send, and for each query the fields of its answer."""

    send: Lines = Field(min_length=1, examples=["OUTPut:STATe?"])
    answer: Lines = ()


class KeywordData(Data):
    """What the instrument calls its modes."""

    voltage: str = Field(default="VOLTage", pattern="^[A-Za-z]{1,12}$")
    current: str = Field(default="CURRent", pattern="^[A-Za-z]{1,12}$")


class LimitBitData(Data):
    """The bits of the condition register that say whose limit is in control."""

    voltage: int = Field(default=0, ge=0, le=15)
    current: int = Field(default=1, ge=0, le=15)


class DialectData(Data):
    """A dialect file."""

    title: str = Field(min_length=1, max_length=200, examples=["Source-measure instrument"])
    forms_from: str = Field(min_length=1, max_length=500, examples=["the instrument's manual"])
    chained: bool = True
    keywords: KeywordData = KeywordData()
    limit_bits: LimitBitData = LimitBitData()
    actions: dict[str, CommandData]


def open_dialect(name: str, base: Path | None = None) -> Dialect:
    """The dialect of a shipped name, or of a path (relative to `base`, the bench file's folder).

    Raises BenchFileError with all problems drawn.
    """
    dialect, problems = load_dialect(find_dialect(name, base))
    if dialect is None:
        raise BenchFileError("\n".join(draw(problem) for problem in problems))
    return dialect


def shipped_dialects() -> list[str]:
    """The names of the dialects that come with the program."""
    return sorted(path.stem for path in SHIPPED.glob("*.toml"))


def find_dialect(name: str, base: Path | None = None) -> Path:
    """Where a dialect is kept. Raises BenchFileError where it isn't."""
    if name.endswith(".toml"):
        path = (base or Path()) / name
        if path.is_file():
            return path
        raise BenchFileError(
            f"there is no dialect file {path}", "Check the path in the bench file."
        )
    names = shipped_dialects()
    if name not in names:
        raise BenchFileError(
            f"“{name}” is no dialect that comes with the program",
            f"{suggestion(name, names)} A file of your own is named with its ending, .toml.",
        )
    return SHIPPED / f"{name}.toml"


def load_dialect(path: Path) -> tuple[Dialect | None, Problems]:
    """A dialect from its file, or None, with all problems found."""
    text = path.read_bytes()[: _LARGEST_FILE + 1].decode("utf-8", errors="replace")
    problems = Problems(Source(str(path), text), fault="bench")
    if len(text) > _LARGEST_FILE:
        problems.error("dialect-value", NOWHERE, "the file is larger than 64 KiB")
        return None, problems
    data = parse_toml(problems, "dialect")
    if data is None:
        return None, problems
    places = Places(text)
    model = validate(DialectData, data, problems, places, "dialect")
    if model is None:
        return None, problems
    actions = {
        name: command
        for name, written in model.actions.items()
        if (command := _judged(name, written, problems, places)) is not None
    }
    _expect_complete(set(model.actions), problems, places)
    if problems.has_errors:
        return None, problems
    return (
        Dialect(
            model.title,
            model.forms_from,
            model.chained,
            model.keywords.model_dump(),
            model.limit_bits.model_dump(),
            actions,
        ),
        problems,
    )


def lacks(dialect: str, capability: str, base: Path | None = None) -> str | None:
    """Why a capability of the instrument can't be used through a dialect; None where it can.

    `dialect` is as in a bench file, `base` the folder that its path starts from. No link is opened
    and nothing of one is loaded. Raises BenchFileError where the dialect can't be read.
    """
    text, actions = _NEEDED.get(capability, ("", ()))
    if not actions:
        return None
    known = open_dialect(dialect, base).actions
    if all(action in known for action in actions):
        return None
    return f"the dialect `{dialect}` has no action for {text}"


def _expect_complete(names: set[str], problems: Problems, places: Places) -> None:
    missing = [name for name, action in ACTIONS.items() if action.required and name not in names]
    for symmetric, high, low in _PAIRS:
        if symmetric not in names and not {high, low} <= names:
            missing.append(f"{symmetric} (or {high} and {low})")
    if missing:
        problems.error(
            "dialect-missing",
            places.key(("actions",)),
            f"“actions” lacks {', '.join(missing)}",
            "Each says how the instrument is told or asked that.",
        )


def _judged(name: str, written: CommandData, problems: Problems, places: Places) -> Command | None:
    """One action, or None with its problems told."""
    path: KeyPath = ("actions", name)
    action = ACTIONS.get(name)
    if action is None:
        problems.error(
            "dialect-key",
            places.key(path),
            f"“actions.{name}” is no action known here",
            suggestion(name, list(ACTIONS)),
        )
        return None
    before = len(problems)
    for number, line in enumerate(written.send):
        _judge_line(line, name, (*path, "send", number), problems, places)
    answer = tuple(tuple(field.strip() for field in fields.split(",")) for fields in written.answer)
    fields = {field for group in answer for field in group}
    if unknown := sorted(fields - FIELDS):
        problems.error(
            "dialect-answer",
            places.value((*path, "answer")),
            f"“actions.{name}.answer” names {', '.join(unknown)}, which means nothing here",
            suggestion(unknown[0], sorted(action.fields | {"_"}))
            + " Write _ for a value that isn't used.",
        )
    if missing := sorted(action.fields - fields):
        problems.error(
            "dialect-answer",
            places.key((*path, "answer")),
            f"“actions.{name}.answer” lacks {', '.join(missing)}",
            f"Its answer says {action.text}.",
        )
    queries = sum(line.split(" ")[0].endswith("?") for line in written.send)
    if queries != len(answer):
        problems.error(
            "dialect-answer",
            places.key((*path, "send")),
            f"“actions.{name}” asks {queries} questions and names {len(answer)} answers",
            "Give one list of fields for each line that ends in a question mark.",
        )
    return Command(written.send, answer) if len(problems) == before else None


def _place(places: Places, path: KeyPath) -> Span:
    """Where a line of a list stands; a single line may be written without the list."""
    return places.value(path if path in list(places) else path[:-1])


def _judge_line(line: str, name: str, path: KeyPath, problems: Problems, places: Places) -> None:
    shown = f"“actions.{name}.send”"
    if len(line) > LONGEST_UNIT or UNIT_PATTERN.fullmatch(line) is None:
        problems.error(
            "dialect-line",
            _place(places, path),
            f"{shown}: this is no single SCPI command of headers, numbers, keywords and "
            "placeholders",
            'Write one command a line, without a leading colon, as in "OUTPut:STATe {on}".',
        )
        return
    known = ACTIONS[name].placeholders
    for placeholder in PLACEHOLDER.findall(line):
        if placeholder not in known:
            problems.error(
                "dialect-line",
                _place(places, path),
                f"{shown}: “{{{placeholder}}}” can't be filled in here",
                f"This action can carry {', '.join(f'{{{key}}}' for key in known) or 'nothing'}.",
            )
