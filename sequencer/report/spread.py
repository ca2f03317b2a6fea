"""What a spread of dry runs came to, for a person and as data. Works nothing out."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from drivers.sensed import difference
from grammar.quantity import TEMPERATURE_POINT, TIME, Dimension, write
from sequencer.analysis.verdicts import MET
from sequencer.report.terminal import Terminal

if TYPE_CHECKING:
    from sequencer.spread.runs import Ran
    from sequencer.spread.summary import (
        Driver,
        Expectation,
        GuardSpread,
        Missing,
        ResultSpread,
        Summary,
    )

_SHOWN_BAD = 3
_DIGITS = 5


def show_spread(terminal: Terminal, summary: Summary) -> None:
    """How the runs ended, then results, expectations and guards, and what drives them."""
    style = {0: "green", 1: "yellow"}.get(summary.exit_code, "red")
    terminal.say(terminal.paint(f"{_ended(summary)}.", style))
    for ran in summary.bad[:_SHOWN_BAD]:
        terminal.say(terminal.paragraph(_bad(ran), "    ", "  "))
    if len(summary.bad) > _SHOWN_BAD:
        terminal.say(f"  … and {len(summary.bad) - _SHOWN_BAD} more; --json has all of them")
    _section(terminal, "Results", summary.results, _result)
    _section(terminal, "Expectations", summary.expectations, _expectation, summary.drawn)
    _section(terminal, "Guards: the least that was left to each", summary.guards, _guard, summary)
    terminal.say()
    terminal.say(
        terminal.paragraph(
            f"Parameters are drawn evenly within their tolerances, seed {summary.seed}; run 0, the "
            f"nominal one, has none of it and is not among them. {_told_by(summary)} The same seed "
            "and number give the same run.",
            "  ",
            "",
        )
    )


def _section(terminal: Terminal, heading: str, items: Any, lines: Any, *more: Any) -> None:
    if not items:
        return
    terminal.say()
    terminal.say(terminal.heading(heading))
    for item in items:
        first, *others = lines(item, *more)
        terminal.say(terminal.paragraph(first, "    ", "  "))
        for line in others:
            terminal.say(terminal.paragraph(line, "      ", "    "))


def _ended(summary: Summary) -> str:
    ends = ", ".join(f"{count} {outcome}" for outcome, count in sorted(summary.outcomes.items()))
    return f"{summary.drawn} dry runs of “{summary.title}”: {ends}"


def _bad(ran: Ran) -> str:
    drawn = ", ".join(f"{name} = {value:.6g}" for name, value in ran.parameters)
    return f"run {ran.number} {ran.outcome}: {ran.reason}" + (f" (SI: {drawn})" if drawn else "")


def _result(result: ResultSpread) -> Iterator[str]:
    name, label, answer = result.key
    yield " ".join(filter(None, (name, label, answer, result.title)))
    found = result.spread
    if found.mean is None or found.low is None or found.high is None:
        yield f"no run came to a value{_why(result.missing)}"
        return

    def said(value: float | None) -> str:
        return "none" if value is None else _written(value, result.dimension, result.unit)

    yield f"mean {said(found.mean)}, nominal {said(found.nominal)}" + (
        ""
        if found.deviation is None
        else f", standard deviation {_difference(found.deviation, result)}"
    )
    yield (
        f"95 % within {said(found.low)} … {said(found.high)}, "
        f"all within {said(found.least)} … {said(found.most)}"
    )
    values = f"{found.values} value{'s' if found.values != 1 else ''}"
    others = f", the others have none{_why(result.missing)}" if result.missing else ""
    yield f"{_driven(found.driver)}; {values}{others}"


def _why(missing: Missing | None) -> str:
    return "" if missing is None else f", as in run {missing.run}: {missing.reason}"


def _expectation(expectation: Expectation, count: int) -> Iterator[str]:
    yield expectation.text
    others = ", ".join(
        f"{number} {verdict}" for verdict, number in expectation.verdicts.items() if verdict != MET
    )
    share = 100 * expectation.met / count if count else 0.0
    yield f"met in {expectation.met} of {count} ({share:.3g} %)" + (f"; {others}" if others else "")


def _guard(guard: GuardSpread, summary: Summary) -> Iterator[str]:
    yield guard.name
    tripped = f"tripped in {guard.trips} of {summary.drawn}" if guard.trips else "never tripped"
    if guard.dimension is None:
        yield f"{tripped}; it is no comparison, and has no margin"
        return
    if guard.least is None:
        yield f"{tripped}; never judged"
        return
    when = f" at {write(guard.time_s, TIME, 4)}" if guard.time_s is not None else ""
    yield f"{tripped}; {write(guard.least, guard.dimension, 4)} left in run {guard.run}{when}" + (
        "" if guard.nominal is None else f", {write(guard.nominal, guard.dimension, 4)} nominal"
    )
    yield _driven(guard.driver)


def _told_by(summary: Summary) -> str:
    if summary.stands_out > 1:
        return "Among so few, nothing can be told to drive a value."
    return (
        "“Driven by” names what goes most along with a value, and the share of it: the squared "
        f"rank correlation, from {100 * summary.stands_out:.0f} % on."
    )


def _driven(driver: Driver | None) -> str:
    if driver is None:
        return "nothing stands out that drives it"
    return f"driven by {driver.name} ({100 * driver.share:.0f} %)"


def _written(value: float, dimension: Dimension, unit: str) -> str:
    return write(value, dimension, _DIGITS, unit or None)


def _difference(value: float, result: ResultSpread) -> str:
    unit = "K" if result.dimension == TEMPERATURE_POINT else result.unit
    return _written(value, difference(result.dimension), unit)


def as_data(summary: Summary) -> dict[str, Any]:
    """The same as plain data, SI throughout: what `--json` gives."""
    return {
        "title": summary.title,
        "seed": summary.seed,
        "runs": summary.drawn,
        "outcomes": summary.outcomes,
        "exit_code": summary.exit_code,
        "stands_out_from": summary.stands_out,
        "results": [
            {
                "name": result.key[0],
                "row": result.key[1],
                "answer": result.key[2],
                "title": result.title,
                "unit": result.dimension.unit,
                "missing": None if result.missing is None else result.missing._asdict(),
                **result.spread._asdict(),
                "driver": _driver(result.spread.driver),
            }
            for result in summary.results
        ],
        "expectations": [expectation._asdict() for expectation in summary.expectations],
        "guards": [
            {
                "name": guard.name,
                "unit": None if guard.dimension is None else guard.dimension.unit,
                "nominal": guard.nominal,
                "least": guard.least,
                "run": guard.run,
                "time": guard.time_s,
                "trips": guard.trips,
                "driver": _driver(guard.driver),
            }
            for guard in summary.guards
        ],
        "each": [_run(ran) for ran in summary.runs],
    }


def _driver(driver: Driver | None) -> dict[str, Any] | None:
    return None if driver is None else driver._asdict()


def _run(ran: Ran) -> dict[str, Any]:
    return {
        "run": ran.number,
        "outcome": ran.outcome,
        "reason": ran.reason,
        "guard": ran.guard,
        "parameters": dict(ran.parameters),
        "errors": dict(ran.errors),
        "results": [
            {"name": name, "row": row, "answer": answer, "value": value}
            for (name, row, answer), value in ran.values
        ],
        "expectations": [verdict for _, verdict in ran.verdicts],
        "margins": {margin.name: margin.left for margin in ran.margins},
    }
