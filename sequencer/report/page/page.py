"""A run on record as one HTML page: what was tested, how it came out, and how to repeat it.

The page holds its style, its pictures and the script that lets one zoom (uPlot, MIT licence), asks
for nothing from outside, and escapes all that a recipe or a bench file brings.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from importlib.resources import files
from typing import TYPE_CHECKING, Any

from markupsafe import Markup

from drivers.kinds import KINDS
from grammar import tree
from grammar.diagnostic import Source
from grammar.parse import parse
from grammar.quantity import TIME, write
from sequencer.analysis.verdicts import MET, NOT_APPLICABLE, NOT_MET, NOT_WORKED_OUT
from sequencer.checker.facts import RATED
from sequencer.checker.worst.table import outward
from sequencer.report.page.figures import Shown, shown, shown_area
from sequencer.report.pictures import area as areas
from sequencer.report.pictures.collect import asked_for, over_time, visited
from sequencer.report.record import (
    bounds_of,
    clock,
    happenings,
    headline,
    kind_of,
    least_left,
    moment,
    not_judged,
    reason_of,
    span,
)

if TYPE_CHECKING:
    from drivers.figures import Rectangle
    from sequencer.record import GuardRow, ResultRow, Run
    from sequencer.record.rows import RunMeta

_MOST_EVENTS = 200
_MOST_ROWS = 60  # of one result
_MARKS = {"good": "✓", "bad": "✗", "unsure": "?", "open": "–"}
_WELL = "finished"


def page(run: Run, over: Sequence[Run] = ()) -> str:
    """The page; the curves of other runs are drawn over its own."""
    from jinja2 import Environment, PackageLoader, StrictUndefined

    environment = Environment(
        loader=PackageLoader("sequencer.report.page", "."),
        autoescape=True,
        undefined=StrictUndefined,
    )
    environment.globals |= {"tone": _tone, "mark": lambda word: _MARKS[_tone(word)]}
    template = environment.get_template("page.html.jinja")
    return template.render(
        **_content(run, over),
        styles=[_own(name) for name in ("uplot.min.css", "page.css")],
        scripts=[_own(name) for name in ("uplot.min.js", "page.js")],
    )


def _own(name: str) -> Markup:
    """A file of this package: the only text on the page that is not escaped."""
    text = (files("sequencer.report.page") / name).read_text(encoding="utf-8")
    return Markup(text)  # noqa: S704


def _tone(word: str) -> str:
    """Whether a verdict or an ending is good; what does not apply is neither good nor bad."""
    if word in (MET, _WELL):
        return "good"
    if word == NOT_APPLICABLE:
        return "open"
    return "bad" if word in (NOT_MET, NOT_WORKED_OUT, "tripped", "failed") else "unsure"


def _content(run: Run, over: Sequence[Run]) -> dict[str, Any]:
    meta = run.meta
    recipe, _ = parse(meta.recipe, meta.recipe_name)
    bench = _bench(meta)
    results = run.results()
    checks = meta.checks[0] if meta.checks else {"parts": [], "assumptions": []}
    found = {
        "meta": meta,
        "title": meta.title or meta.recipe_name,
        "kind": f"{kind_of(meta)[:1].upper()}{kind_of(meta)[1:]}",
        "about": _paragraphs(recipe.about),
        "outcome": _sentence(run, results),
        "ending": _ending(meta, results),
        "ended_well": meta.outcome == _WELL,
        "facts": _facts(meta),
        "results": [line for line in results if line.name],
        "expectations": [line for line in results if not line.name],
        "most_rows": _MOST_ROWS,
        "asked": [shown(plot) for plot in asked_for(run, over)],
        "over_time": [shown(plot, "time") for plot in over_time(run)],
        "areas": _areas(run, checks, _envelopes(meta, bench)),
        "parts": [(p.name.id, p.kind.id, p.channel.id) for p in recipe.parts],
        "settings": [*meta.settings.items(), *meta.conditions.items()],
        "guards": [_guard(guard) for guard in run.guards()],
        "worst": [row for part in checks["parts"] for row in _worst(part)],
        "assumptions": "; ".join(checks["assumptions"]),
        "channels": _channels(run, bench),
        "cautions": _cautions(recipe),
        "repeat": _repeat(meta),
    }
    happened = happenings(run)
    kept = happened[-_MOST_EVENTS:]
    last = f"the last {len(kept)} of {len(happened)}"
    found["happened"] = [(clock(time), text) for time, text in kept]
    found["happened_caption"] = last if len(kept) < len(happened) else "Times from the run's start"
    found["contents"] = [
        (anchor, name)
        for anchor, name, there in (
            ("results", "Results", True),
            ("plots", "Plots", found["asked"]),
            ("time", "Over time", True),
            ("area", "Operating area", found["areas"]),
            ("limits", "Limits", True),
            ("bench", "On what", True),
            ("happened", "What happened", True),
            ("cautions", "Cautions", True),
            ("repeat", "To repeat it", True),
        )
        if there
    ]
    return found


def _paragraphs(lines: Sequence[str]) -> list[str]:
    """The lines about a recipe, put together: one that begins with "Wiring:" or so begins anew."""
    found: list[str] = []
    for line in lines:
        first = line.partition(" ")[0]
        if found and not (first.endswith(":") and first[:1].isupper()):
            found[-1] += f" {line}"
        else:
            found.append(line)
    return found


def _sentence(run: Run, results: Sequence[ResultRow]) -> str:
    said = headline(run.meta, results)
    expected = any(not line.name for line in results)
    if run.meta.exit_code == 0 and expected and not not_judged(results):
        said += ", and every expectation is met"
    reason = reason_of(run)
    return f"{said}: {reason}" if reason else f"{said}."


def _ending(meta: RunMeta, results: Sequence[ResultRow]) -> str:
    """What the colour of that sentence hangs on."""
    if meta.exit_code == 0 and not_judged(results):
        return "not all judged"
    return "not all met" if meta.exit_code == 1 else meta.outcome or ""


def _facts(meta: RunMeta) -> list[tuple[str, str]]:
    versions = ", ".join(f"{name} {text}" for name, text in meta.versions.items())
    return [
        ("run", meta.id),
        ("begun", moment(meta.started)),
        ("ended", moment(meta.ended) if meta.ended else "no end on record"),
        ("recipe", meta.recipe_name),
        ("with", versions),
    ]


def _bench(meta: RunMeta) -> Mapping[str, Any]:
    try:
        return tomllib.loads(meta.bench)
    except tomllib.TOMLDecodeError:
        return {}


def _envelopes(meta: RunMeta, bench: Mapping[str, Any]) -> dict[str, tuple[Rectangle, ...]]:
    """What each channel's instrument bears, by the specifications on record."""
    from drivers.specification import read_specification

    found = {}
    for channel, entry in bench.get("channels", {}).items():
        text = meta.specifications.get(entry.get("specification", ""))
        known = read_specification(Source("specification", text))[0] if text else None
        if known is not None:
            found[channel] = (*known.continuous, *known.pulsed)
    return found


def _areas(
    run: Run, checks: Mapping[str, Any], envelopes: dict[str, tuple[Rectangle, ...]]
) -> list[Shown]:
    return [
        shown_area(area._replace(visited=visited(run, area.channel)))
        for area in areas.areas(checks, envelopes)
    ]


def _guard(guard: GuardRow) -> tuple[str, str, str]:
    return guard.name, bounds_of(guard), "TRIPPED" if guard.tripped else least_left(guard)


def _worst(part: Mapping[str, Any]) -> list[tuple[str, str, str, str]]:
    """The rows of one part in the check's table."""
    found = []
    for quantity, row in part["rows"].items():
        dimension = RATED[quantity.removesuffix(" per pulse")]
        rating = row["rating"] or (None, None)
        # Of few digits, and never better than the bound itself.
        worst = _outward_span(quantity, row["low"], row["high"]) or "no bound"
        held = row["held_by"] or "not imposed"
        name = f"{part['part']} {quantity}"
        found.append((name, worst, span(rating[0], rating[1], dimension) or "not rated", held))
    under = part["time_under_power_s"]
    power = "no bound" if under is None else f"up to {write(under, TIME, 3)}"
    return [*found, (f"{part['part']} under power", power, "", "")]


def _outward_span(quantity: str, low: float | None, high: float | None) -> str:
    parts = [
        outward(quantity, end, side) for end, side in ((low, -1), (high, 1)) if end is not None
    ]
    return " … ".join(parts)


def _channels(run: Run, bench: Mapping[str, Any]) -> list[tuple[str, str, str, str, str]]:
    found = []
    answered = {e.channel: e.text for e in run.events() if e.kind == "identity"}
    for channel, entry in bench.get("channels", {}).items():
        leads = ", ".join(
            f"{name.replace('_', ' ')} {_word(value)}"
            for name, value in entry.get("leads", {}).items()
        )
        found.append(
            (
                channel,
                str(entry.get("specification", "")),
                answered.get(channel, "not asked"),
                " ".join(filter(None, (entry.get("part", ""), entry.get("terminals", "")))),
                leads or "not stated",
            )
        )
    return found


def _word(value: object) -> str:
    return ("yes" if value else "no") if isinstance(value, bool) else str(value)


def _cautions(recipe: tree.Recipe) -> list[str]:
    kinds = [KINDS[part.kind.id] for part in recipe.parts if part.kind.id in KINDS]
    return list(dict.fromkeys(caution for kind in kinds for caution in kind.cautions))


def _repeat(meta: RunMeta) -> str:
    """The command that does it again; the recipe and the bench are on this page."""
    bench = meta.recipe_name.removesuffix(".recipe") + ".bench.toml"
    settings = "".join(f" --set {name}={_quoted(text)}" for name, text in meta.settings.items())
    command = f"{meta.recipe_name} --bench {bench}"
    if meta.mode == "dry run":
        ideal = " --ideal" if meta.ideal else ""
        return f"fusewire dry-run {command} --seed {meta.seed}{ideal}{settings}"
    return f"fusewire run {command}{settings}"


def _quoted(text: str) -> str:
    return f'"{text}"' if " " in text else text
