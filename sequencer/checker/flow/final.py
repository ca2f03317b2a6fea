"""`finally`: that what is done at every end can't fail itself, and waits for nobody.

Looks at the steps of `finally` alone. What it may count on is known to the names and the order.
"""

from __future__ import annotations

from grammar import tree
from sequencer.checker.naming.scope import Workings
from sequencer.checker.naming.walking import with_calls


def check_final(work: Workings) -> None:
    """All steps of `finally`, those of procedures that it calls included."""
    with_calls(work, work.checked.recipe.final, lambda step: _step(work, step))


def _step(work: Workings, step: tree.Step) -> None:
    match step:
        case tree.Every() if step.until is not None and step.otherwise is None:
            _may_fail(work, step, "this loop may run out of time")
        case tree.Settle() if step.otherwise is None:
            _may_fail(work, step, "this reading may never settle")
        case tree.WaitFor() if step.otherwise is None:
            _may_fail(work, step, "this line may never change")
        case tree.Fail():
            _warn(
                work,
                step,
                "this fails the run at its very end, also where all went well",
                "write note to put it on record, or fail in the steps",
            )
        case tree.ConfirmStep() | tree.Ask():
            _warn(
                work,
                step,
                "`finally` waits for the person here, and there may be none: what comes after it "
                "is not done meanwhile",
                "ask in the steps, or say it: say " + work.text(step.text.span),
            )


def _may_fail(work: Workings, step: tree.Step, why: str) -> None:
    _warn(
        work,
        step,
        f"{why}, and the rest of `finally` would not be done",
        "write beneath it what to do then: otherwise: and a step, such as a note",
    )


def _warn(work: Workings, step: tree.Step, message: str, hint: str) -> None:
    span = step.span._replace(end_line=step.span.line)
    if step.span.end_line != step.span.line:
        line = work.problems.source.line(span.line)
        span = span._replace(end_column=len(line) + 1)
    work.problems.warning("finally-may-fail", span, message, hint)
