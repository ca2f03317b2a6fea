"""The two forms in which an expression is written: for the readings as they are, and for columns.

A condition over columns is judged for many readings at once, and says of each what the scalar one
would have said, to the bit: it knows + - * /, square roots, abs, min, max and comparisons, and no
more. Where it can't be worked out, as where something is divided by zero, the scalar one meets it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import lru_cache
from typing import TYPE_CHECKING, Any, NamedTuple

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

    Array = npt.NDArray[np.float64]
    Mask = npt.NDArray[np.bool_]
    Value = float | Array

ALIKE = ("abs", "sqrt", "min", "max")
"""The functions that give the same bits in both forms."""


class NoForm(Exception):
    """An expression can't be written for columns."""


class Form(NamedTuple):
    """How Python says it: templates for the operands' texts; `alike` is all that there is."""

    now: str
    both: str
    either: str
    negation: str
    inside: str
    only_alike: bool

    def beyond(self) -> None:
        """What follows is not among what gives the same bits. Raises NoForm for columns."""
        if self.only_alike:
            raise NoForm


SCALAR = Form(
    now="now()",
    both="({} and {})",
    either="({} or {})",
    negation="(not {})",
    inside="({0} <= {1} <= {2})",
    only_alike=False,
)
COLUMNS = Form(
    now="now",
    both="both({}, {})",
    either="either({}, {})",
    negation="negation({})",
    inside="both({0} <= {1}, {1} <= {2})",
    only_alike=True,
)


def ratio(volts: float, amperes: float, least: float) -> float:
    """A resistance (ohm); without measurable current it is no number: nothing compares to it."""
    return volts / amperes if abs(amperes) > least else float("nan")


class ColumnCondition:
    """A condition in the form for columns, by its text."""

    def __init__(self, text: str) -> None:
        self._text = text

    def holds(self, memory: Sequence[Value], now: Array) -> Mask | bool:
        """Where it holds: a value or a column each place of the memory, the times now (s).

        Raises ArithmeticError where it can't be worked out for all of them.
        """
        import numpy as np

        holds: Callable[[Sequence[Value], Array], Mask | bool] = _over_columns(self._text)
        with np.errstate(divide="raise", invalid="raise"):
            return holds(memory, now)


class Margin:
    """The distance of a comparison's sides, above zero while it holds, in both forms."""

    def __init__(self, now: Callable[[], tuple[float, float]], text: str) -> None:
        self.now = now
        """The distance (SI) at present, and the time now (s)."""
        self._text = text

    def least(self, memory: Sequence[Value], now: Array) -> tuple[float, float]:
        """The smallest in columns of the memory, and its time (s); infinite where there is none."""
        import numpy as np

        distance: Callable[[Sequence[Value], Array], Value] = _over_columns(self._text)
        with np.errstate(invalid="ignore"):
            left = distance(memory, now)
        if not isinstance(left, np.ndarray):
            left = np.full(len(now), left)
        left = np.where(np.isfinite(left), left, np.inf)
        at = int(left.argmin())
        return float(left[at]), float(now[at])


@lru_cache(maxsize=1024)
def _over_columns(text: str) -> Any:
    """A text as a function of memory and time: many runs of one recipe have the same ones."""
    return eval(f"lambda m, now: {text}", _names())  # noqa: S307 - as the scalar one


def _names() -> dict[str, Any]:
    """What the text of a condition over columns may name."""
    import numpy as np

    def least(*values: Value) -> Value:
        # As Python's own, which keeps the first of equals and never takes what is no number.
        found = values[0]
        for value in values[1:]:
            found = np.where(value < found, value, found)
        return found

    def greatest(*values: Value) -> Value:
        found = values[0]
        for value in values[1:]:
            found = np.where(value > found, value, found)
        return found

    def ratios(volts: Value, amperes: Value, smallest: Value) -> Value:
        flows = np.abs(amperes) > smallest
        return np.where(flows, volts / np.where(flows, amperes, 1.0), np.nan)

    return {
        "__builtins__": {},
        "abs": np.abs,
        "sqrt": np.sqrt,
        "min": least,
        "max": greatest,
        "ratio": ratios,
        "both": np.logical_and,
        "either": np.logical_or,
        "negation": np.logical_not,
    }
