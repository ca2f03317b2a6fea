"""Reading a person's TOML file: its values into a model, its problems with key path and line.

The parser of the standard library gives no positions and the validation library speaks its own
language. Here a scanner of its own finds where each key and value stands, and what the validation
found is said in words of the trade. The module knows no particular file: bench files,
specifications and whatever else is data come through the same door.
"""

from __future__ import annotations

import difflib
import re
import tomllib
from bisect import bisect_right
from collections.abc import Iterator, Mapping
from typing import Any, NamedTuple, TypeVar, get_args, get_origin

from pydantic import BaseModel, BeforeValidator, ValidationError
from pydantic_core import ErrorDetails

from drivers.fields import QuantityOf
from grammar.diagnostic import NOWHERE, Problems, Span
from grammar.quantity import write

Path = tuple[str | int, ...]
Model = TypeVar("Model", bound=BaseModel)

_BARE = re.compile(r"[A-Za-z0-9_-]+")
_TEXT = re.compile(
    r'"""(?:\\.|[^\\])*?"{3,5}|\'\'\'.*?\'{3,5}|"(?:\\.|[^"\\\n])*"|\'[^\'\n]*\'', re.DOTALL
)
_SCALAR = re.compile(r"[^,\]}#\n]*[^,\]}#\s]")
_BLANK = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_AT = re.compile(r"^(?P<what>.*?) \(at (?:line (?P<line>\d+), column (?P<column>\d+)|end.*)\)$")

# A share in %, with a tolerance or without.
_SHARE = re.compile(r"[^±%]*%\s*(?:$|±|\+/-)")
_BOUNDS = {
    "greater_than": "greater than",
    "greater_than_equal": "at least",
    "less_than": "less than",
    "less_than_equal": "at most",
}


class Place(NamedTuple):
    """Where a key and its value stand in the text."""

    key: Span
    value: Span


class Places:
    """The places of all keys of a TOML text that is known to be valid."""

    def __init__(self, text: str) -> None:
        self._text = text
        self._lines = [0] + [m.end() for m in re.finditer("\n", text)]
        self._position = 0
        self._found: dict[Path, Place] = {}
        self._counts: dict[Path, int] = {}
        self._scan()

    def key(self, path: Path) -> Span:
        """The key of a path; of the nearest table around it where the path itself isn't written."""
        while path and path not in self._found:
            path = path[:-1]
        return self._found[path].key if path else NOWHERE

    def value(self, path: Path) -> Span:
        """The value of a path, or as `key` where the path isn't written."""
        place = self._found.get(path)
        return place.value if place else self.key(path)

    def text(self, path: Path) -> str:
        """The value of a path as it is written, without quotes; empty where it isn't."""
        place = self._found.get(path)
        if place is None:
            return ""
        first, last = (
            self._lines[line - 1] + column - 1
            for line, column in (place.value[:2], place.value[2:])
        )
        return self._text[first:last].strip("\"'")

    def __iter__(self) -> Iterator[Path]:
        return iter(self._found)

    def _span(self, start: int, end: int) -> Span:
        first, last = bisect_right(self._lines, start), bisect_right(self._lines, end)
        return Span(
            first, start - self._lines[first - 1] + 1, last, end - self._lines[last - 1] + 1
        )

    def _blank(self) -> str:
        """Skip blanks and comments; the character that follows, empty at the end."""
        match = _BLANK.match(self._text, self._position)
        self._position = match.end() if match else self._position
        return self._text[self._position : self._position + 1]

    def _scan(self) -> None:
        prefix: Path = ()
        while character := self._blank():
            if character == "[":
                prefix = self._header()
            else:
                self._pair(prefix)

    def _header(self) -> Path:
        start = self._position
        repeated = self._text.startswith("[[", start)
        self._position += 2 if repeated else 1
        names = self._names()
        path: Path = ()
        for name in names[:-1]:
            path += (name,)
            if path in self._counts:
                path += (self._counts[path],)
        path += (names[-1],)
        self._blank()
        self._position += 2 if repeated else 1
        span = self._span(start, self._position)
        if repeated:
            self._counts[path] = self._counts.get(path, -1) + 1
            self._found.setdefault(path, Place(span, span))
            path += (self._counts[path],)
        for end in range(1, len(path) + 1):
            self._found.setdefault(path[:end], Place(span, span))
        return path

    def _names(self) -> list[str]:
        """A dotted key."""
        names = []
        while True:
            if self._blank() in "\"'":
                match = _TEXT.match(self._text, self._position)
                name = str(tomllib.loads(f"x = {match[0]}")["x"]) if match else ""
            else:
                match = _BARE.match(self._text, self._position)
                name = match[0] if match else ""
            if match is None:
                raise ValueError("the text is no valid TOML")
            names.append(name)
            self._position = match.end()
            if self._blank() != ".":
                return names
            self._position += 1

    def _pair(self, prefix: Path) -> None:
        self._blank()
        start = self._position
        path = prefix + tuple(self._names())
        end = start + len(self._text[start : self._position].rstrip())
        self._position = self._text.index("=", self._position) + 1
        self._blank()
        value_start = self._position
        self._value(path)
        place = Place(self._span(start, end), self._span(value_start, self._position))
        for depth in range(len(prefix) + 1, len(path)):
            self._found.setdefault(path[:depth], place)
        self._found[path] = place

    def _value(self, path: Path) -> None:
        opening = self._text[self._position]
        if opening == "[":
            self._position += 1
            index = 0
            while self._blank() != "]":
                start = self._position
                self._value((*path, index))
                span = self._span(start, self._position)
                self._found[(*path, index)] = Place(span, span)
                index += 1
                if self._blank() == ",":
                    self._position += 1
            self._position += 1
        elif opening == "{":
            self._position += 1
            while self._blank() != "}":
                self._pair(path)
                if self._blank() == ",":
                    self._position += 1
            self._position += 1
        else:
            pattern = _TEXT if opening in "\"'" else _SCALAR
            match = pattern.match(self._text, self._position)
            if match is None:
                raise ValueError("the text is no valid TOML")
            self._position = match.end()


def written(path: Path) -> str:
    """A key path as a person reads it: `parts.bank.slow_branches[0].resistance`."""
    text = ""
    for step in path:
        text += f"[{step}]" if isinstance(step, int) else f".{step}" if text else step
    return text


def parse_toml(problems: Problems, prefix: str) -> dict[str, Any] | None:
    """The source's TOML as plain data, or None with the problem told under `PREFIX-toml`."""
    text = problems.source.text
    try:
        return tomllib.loads(text)
    except (ValueError, RecursionError) as error:  # ValueError: also an integer beyond all bounds
        match = _AT.match(str(error))
        what = match["what"] if match else ""
        lines = text.rstrip().split("\n")
        line, column = len(lines), len(lines[-1]) + 1
        if match and match["line"]:
            line, column = int(match["line"]), int(match["column"])
        span = Span(line, column, line, column + 1)
        message, hint = _toml_words(what)
        problems.error(f"{prefix}-toml", span, message, hint)
        return None


def _toml_words(what: str) -> tuple[str, str]:
    if what.startswith("Invalid value"):
        return "this is no value", 'A quantity stands in quotes, as in capacitance = "350 F".'
    if what.startswith(("Expected '='", "Invalid initial character", "Invalid statement")):
        return "a key, = and a value were expected here", 'As in title = "Workshop".'
    if what.startswith(("Cannot overwrite", "Duplicate", "Cannot declare")):
        return "this key or table stands here for the second time", "Keep one of the two."
    if what.startswith("Expected newline"):
        return "nothing more was expected on this line", (
            'A quantity stands in quotes, as in capacitance = "350 F".'
        )
    if what.startswith(("Unterminated", "Illegal character", "Expected '\"", "Expected \"'")):
        return "this text isn't closed, or holds a character that it can't", "Close it on its line."
    if what.startswith(("Unclosed", "Expected ']'")):
        return "a bracket isn't closed", "Close it with ] or }."
    return "the file can't be read as TOML from here on", ""


def suggestion(name: str, known: list[str]) -> str:
    """A hint for a name that isn't known: the nearest one, else all of them."""
    near = difflib.get_close_matches(name, known, n=1)
    if near:
        return f"Did you mean “{near[0]}”?"
    return f"Known here: {', '.join(known)}." if known else ""


def validate(
    model: type[Model],
    data: Mapping[str, Any],
    problems: Problems,
    places: Places,
    prefix: str,
    at: Path = (),
) -> Model | None:
    """The data as a model, or None with every problem told, located below the path `at`."""
    try:
        return model.model_validate(data)
    except ValidationError as failure:
        missing: dict[Path, list[str]] = {}
        errors = failure.errors(include_url=False)
        around = {error["loc"][:end] for error in errors for end in range(len(error["loc"]))}
        for error in errors:
            if error["type"] == "missing":
                missing.setdefault(error["loc"][:-1], []).append(str(error["loc"][-1]))
            elif error["type"] == "too_short" and error["loc"] in around:
                # Counted without the entries that are wrong, which are told.
                continue
            else:
                _tell(error, model, problems, places, prefix, at)
        for inner, keys in missing.items():
            owner, table = _owner(model, inner), written(at + inner)
            subject = f"“{table}” lacks " if table else "the file lacks "
            problems.error(
                f"{prefix}-missing",
                places.key(at + inner),
                subject + ", ".join(f"“{key}”" for key in keys),
                " ".join(filter(None, (_example(owner, key) for key in keys))),
            )
        return None


def _tell(
    error: ErrorDetails,
    model: type[BaseModel],
    problems: Problems,
    places: Places,
    prefix: str,
    at: Path,
) -> None:
    inner = error["loc"]
    path = at + inner
    name, kind, context = written(path), error["type"], error.get("ctx", {})
    shown = places.text(path)
    if kind == "extra_forbidden":
        owner = _owner(model, inner[:-1])
        known = list(owner.model_fields) if owner else []
        hint = suggestion(str(inner[-1]), known)
        problems.error(f"{prefix}-key", places.key(path), f"“{name}” is no key known here", hint)
    elif kind == "unit":
        problems.error(f"{prefix}-unit", places.value(path), f"“{name}”: {error['msg']}")
    else:
        words = _bounded(kind, context, shown, _quantity(model, inner))
        words = words or _words(kind, context, shown, error["msg"])
        subject = f"“{name}”" if name else "the file"
        problems.error(f"{prefix}-value", places.value(path), f"{subject} {words}")


def _bounded(kind: str, context: Mapping[str, Any], shown: str, quantity: QuantityOf | None) -> str:
    """What is said of a value beyond a bound; the bound as the value is written."""
    how = _BOUNDS.get(kind)
    if how is None:
        return ""
    bound = next(context[key] for key in ("gt", "ge", "lt", "le") if key in context)
    if quantity is not None and quantity.dimension.point:
        said = write(bound, quantity.dimension) if bound else "absolute zero"
    elif kind == "greater_than_equal" and bound == 0:
        return f"is {shown}: it must not be negative"
    elif quantity is None or bound == 0:
        said = f"{bound:g}"
    elif quantity.dimension.is_plain:
        said = f"{100 * bound:g} %" if _SHARE.match(shown) else f"{bound:g}"
    else:
        said = write(bound, quantity.dimension, unit=quantity.unit)
    return f"is {shown}: it must be {how} {said}"


def _words(kind: str, context: Mapping[str, Any], shown: str, message: str) -> str:
    if kind == "value_error":
        return str(context["error"])
    if kind == "literal_error":
        return f"is “{shown}”: it can be {context['expected']}".replace("'", '"')
    if kind in ("string_type", "string_too_short", "string_too_long"):
        return "must be a text in quotes" + (", not empty" if kind == "string_too_short" else "")
    if kind in ("bool_type", "bool_parsing"):
        return "must be true or false"
    if kind in ("tuple_type", "list_type"):
        return "must be a list: [ … ]"
    if kind == "too_short":
        least, found = context["min_length"], context["actual_length"]
        return f"has {found} of at least {least} entries" if found else "must not be empty"
    if kind == "too_long":
        return f"has more than {context['max_length']} entries"
    if kind in ("model_type", "model_attributes_type", "dict_type"):
        return "must be a table: { … }"
    if kind in ("int_type", "int_parsing", "int_from_float"):
        return f"is {shown}: it must be a whole number"
    if kind in ("float_type", "float_parsing", "finite_number"):
        return f"is {shown}: it must be a number"
    return f"is {shown}: that doesn't fit here"


def _quantity(model: type[BaseModel], path: Path) -> QuantityOf | None:
    """What reads the quantity at a path, None where it is none or may be one of several."""
    last = max((k for k, step in enumerate(path) if isinstance(step, str)), default=0)
    owner = _owner(model, path[:last])
    field = owner.model_fields.get(str(path[last])) if owner is not None and path else None
    if field is None:
        return None
    pieces = (field.annotation, *field.metadata)
    found = {q.dimension: q for piece in pieces for q in _quantities(piece, path[last + 1 :])}
    return found.popitem()[1] if len(found) == 1 else None


def _quantities(annotation: Any, steps: Path) -> Iterator[QuantityOf]:
    """Those in an annotation, at a place in its tuples."""
    if isinstance(annotation, BeforeValidator) and isinstance(annotation.func, QuantityOf):
        yield annotation.func
        return
    inner = get_args(annotation)
    if get_origin(annotation) is tuple and steps:
        inner = inner[:1] if inner[-1] is ... else inner[int(steps[0]) :][:1]
        steps = steps[1:]
    for piece in inner:
        yield from _quantities(piece, steps)


def _owner(model: type[BaseModel], path: Path) -> type[BaseModel] | None:
    """The model that holds the keys below a path, through tuples, lists and optional values."""
    owner: type[BaseModel] | None = model
    for step in path:
        if isinstance(step, int):
            continue
        if owner is None or step not in owner.model_fields:
            return None
        owner = _model_in(owner.model_fields[step].annotation)
    return owner


def _model_in(annotation: Any) -> type[BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    for argument in get_args(annotation):
        inner = _model_in(argument)
        if inner is not None:
            return inner
    return None


def _example(owner: type[BaseModel] | None, key: str) -> str:
    field = owner.model_fields.get(key) if owner else None
    if field is None or not field.examples:
        return ""
    return f'For example: {key} = "{field.examples[0]}".'
