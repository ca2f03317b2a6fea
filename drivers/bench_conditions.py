"""The `[conditions]` of a bench file: each quantity that surrounds a simulated bench, in time."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any

from pydantic import AfterValidator, BeforeValidator, create_model

from drivers.fields import Data, QuantityOf, Seconds
from drivers.located import Path, Places, suggestion, validate
from drivers.sensed import SENSED
from drivers.simulated.conditions import Conditions, Profile
from grammar.diagnostic import Problems
from grammar.quantity import TIME, write

_MOST_POINTS = 10_000


def read_conditions(data: Mapping[str, Any], problems: Problems, places: Places) -> Conditions:
    """The conditions that a bench file names, with every problem found in them told."""
    profiles = {}
    for name, entry in data.items():
        path: Path = ("conditions", name)
        if name not in SENSED:
            problems.error(
                "bench-key",
                places.key(path),
                f"“conditions.{name}” is no key known here",
                suggestion(name, list(SENSED)),
            )
        elif isinstance(entry, list):
            found = _profile(name, entry, problems, places)
            if found is not None:
                profiles[name] = found
        else:
            values = _checked({name: name}, {name: entry}, problems, places, ("conditions",))
            if values is not None:
                profiles[name] = Profile.constant(values[name])
    return Conditions(**profiles)


def _profile(name: str, entries: list[Any], problems: Problems, places: Places) -> Profile | None:
    """Points that begin at the start and rise in time, each time once."""
    path: Path = ("conditions", name)
    if not 1 <= len(entries) <= _MOST_POINTS:
        problems.error(
            "bench-value",
            places.value(path),
            f"“conditions.{name}” has {len(entries)} points: it can be 1 to {_MOST_POINTS}",
            'A constant needs none: temperature = "21 °C".',
        )
        return None
    times: list[float] = []
    values: list[float] = []
    for number, entry in enumerate(entries):
        at: Path = (*path, number)
        if not isinstance(entry, dict):
            problems.error(
                "bench-value",
                places.value(at),
                f"“conditions.{name}[{number}]” must be a table: {{ at = …, value = … }}",
            )
            return None
        point = _checked({"at": None, "value": name}, entry, problems, places, at)
        if point is None:
            return None
        if point["at"] <= times[-1] if times else point["at"] != 0:
            problems.error(
                "bench-value",
                places.value((*at, "at")),
                f"“conditions.{name}[{number}].at” is {write(point['at'], TIME)}: "
                + (f"it must come after {write(times[-1], TIME)}" if times else "begin at 0 s"),
            )
            return None
        times.append(point["at"])
        values.append(point["value"])
    end = places.value((*path, len(times) - 1, "at"))
    return Profile(tuple(times), tuple(values), f"{problems.source.name}:{end.line}")


def _checked(
    keys: Mapping[str, str | None],
    data: Mapping[str, Any],
    problems: Problems,
    places: Places,
    at: Path,
) -> dict[str, float] | None:
    """A table of these keys, each of a quantity (a time where that is None), or None."""
    fields: dict[str, Any] = {
        key: (Seconds if quantity is None else _of(quantity), ...) for key, quantity in keys.items()
    }
    model = create_model("_Table", __base__=Data, **fields)
    found = validate(model, data, problems, places, "bench", at)
    return found.model_dump() if found is not None else None


def _of(quantity: str) -> Any:
    """A field of a quantity, as far as there is so much of it."""

    def possible(value: float) -> float:
        if value < 0:
            raise ValueError("is impossible: there is nothing below zero, or absolute zero")
        if quantity == "humidity" and value > 1:
            raise ValueError("is impossible: a humidity is 100 % at most")
        return value

    dimension = SENSED[quantity]
    return Annotated[float, BeforeValidator(QuantityOf(dimension)), AfterValidator(possible)]
