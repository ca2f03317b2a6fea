"""An outcome: what a line of `results:` came to. Without numpy, so that record and report share it.

A result has a value, or a verdict that says why it has none; an expectation has a verdict always.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

from grammar.diagnostic import NOWHERE, Span
from grammar.quantity import PLAIN, Dimension

if TYPE_CHECKING:
    from sequencer.analysis.calculations import Trace

MET = "met"
NOT_MET = "not met"
NOT_APPLICABLE = "not applicable"
NOT_MEASURED = "not measured"
NOT_WORKED_OUT = "not worked out"
PLAIN_COMPARISON = "plain comparison, uncertainty not stated"


class Row(NamedTuple):
    """One row of a line that comes to more than one value.

    `label` says which group it is of ("cycle = 3"), with the column's value in SI as `key`; both
    are empty where nothing was grouped. `answer` is the name of one of several answers, empty for
    a single one. The rest is as in an outcome.
    """

    key: float | None
    label: str
    answer: str
    value: float | None
    unit: str = ""
    text: str = ""
    verdict: str = ""
    method: str = ""
    reason: str = ""


@dataclass(frozen=True)
class Outcome:
    """What one line of `results:` came to.

    `name` is empty for an expectation. `value` is in SI, None for an expectation and where there is
    none; `text` is the value as shown, or the expectation as written. `verdict` is empty for a
    result that has a value. `method` is what the number depends on, `reason` why there is no value,
    or what the verdict rests on. A line that is grouped by a column (`each`) or has several answers
    has `rows` in place of a value, and a `text` that counts them. One that is a trace has that.
    """

    name: str
    value: float | None
    dimension: Dimension = PLAIN
    unit: str = ""
    title: str = ""
    text: str = ""
    verdict: str = ""
    method: str = ""
    reason: str = ""
    span: Span = NOWHERE
    each: str = ""
    rows: tuple[Row, ...] = ()
    trace: Trace | None = None

    @property
    def is_expectation(self) -> bool:
        """True for an `expect`, which has no name."""
        return not self.name

    @property
    def is_satisfied(self) -> bool:
        """False for an expectation that was not met or could not be decided."""
        return not (self.is_expectation and self.verdict in (NOT_MET, NOT_WORKED_OUT))


class Missing(Exception):
    """A value that there is none of: `verdict` says in which way, `reason` why."""

    def __init__(self, verdict: str, reason: str) -> None:
        super().__init__(verdict, reason)
        self.verdict = verdict
        self.reason = reason


def worst(found: Sequence[Missing]) -> Missing:
    """Of several the first that can't be worked out; what wasn't measured weighs less."""
    return next((m for m in found if m.verdict == NOT_WORKED_OUT), found[0])
