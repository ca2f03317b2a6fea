"""What a run was and came to, as plain data: all that is no reading, with the conventions of those.

Keys are those of `--json`. The module knows no file's form.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from sequencer.record.reader import Run

SIGN = "current and power are positive into the part"
VALUES = "SI units; inf is a reading past its range; an empty place has no value"


def facts_of(run: Run) -> dict[str, Any]:
    """A run's facts, settings and conditions, and its results."""
    meta = run.meta
    return {
        "run": meta.id,
        "mode": meta.mode,
        "title": meta.title,
        "recipe": meta.recipe_name,
        "recipe_sha256": meta.recipe_sha256,
        "seed": meta.seed,
        "ideal": meta.ideal,
        "started": meta.started,
        "ended": meta.ended,
        "outcome": meta.outcome,
        "exit_code": meta.exit_code,
        "reason": meta.reason,
        "settings": meta.settings,
        "conditions": meta.conditions,
        "identities": meta.identities,
        "versions": meta.versions,
        "sign": SIGN,
        "values": VALUES,
        "results": [row.as_data() for row in run.results()],
    }


def all_facts_of(run: Run) -> dict[str, Any]:
    """The same with all that happened, and all that it takes to repeat the run."""
    meta = run.meta
    return {
        **facts_of(run),
        "guards": [row._asdict() for row in run.guards()],
        "notes": [row._asdict() for row in run.notes()],
        "events": [row._asdict() for row in run.events()],
        "steps": [row._asdict() for row in run.steps()],
        "plots": [row._asdict() for row in run.plots()],
        "checks": meta.checks,
        "recipe_text": meta.recipe,
        "bench_text": meta.bench,
        "specification_texts": meta.specifications,
    }
