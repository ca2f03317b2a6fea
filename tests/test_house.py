"""How the house is built: what may import what, what loads when, and where the plan points.

Each rule is a small function over a mapping of paths to source texts, so that a made-up house shows
that it can find something.
"""

from __future__ import annotations

import ast
import os
import re
import subprocess
import sys
from collections.abc import Iterator, Mapping
from pathlib import Path

import pytest

import sequencer

ROOT = Path(__file__).parents[1]
PACKAGES = ("grammar", "drivers", "sequencer")
HOUSE = {
    path.relative_to(ROOT).as_posix(): path.read_text("utf-8")
    for package in PACKAGES
    for path in sorted((ROOT / package).rglob("*.py"))
}

# What every group of the checker knows, and what those over its expressions do.
_CHECKS = ("grammar", "drivers", "sequencer.analysis", "sequencer.checker.facts")
_EXPRESSIONS = (*_CHECKS, "sequencer.checker.naming", "sequencer.checker.expressions")

# What each part may know; the longest prefix of a module's name decides. A part knows itself.
KNOWS = {
    "grammar": (),
    "drivers": ("grammar",),
    "sequencer": ("grammar", "drivers", "sequencer"),
    "sequencer.analysis": ("grammar", "drivers"),
    "sequencer.checker": ("grammar", "drivers", "sequencer.analysis"),
    "sequencer.checker.naming": _CHECKS,
    "sequencer.checker.expressions": (*_CHECKS, "sequencer.checker.naming"),
    "sequencer.checker.procedures": _EXPRESSIONS,
    "sequencer.checker.declared": _EXPRESSIONS,
    "sequencer.checker.steps": _EXPRESSIONS,
    "sequencer.checker.flow": _EXPRESSIONS,
    "sequencer.checker.worst": (*_CHECKS, "sequencer.checker.naming"),
    "sequencer.record": ("grammar", "drivers", "sequencer.analysis"),
}
# Loaded by its name: import_module("sequencer.engine.run"), "sequencer.commands.runs:check".
BY_NAME = re.compile(rf"(?:{'|'.join(PACKAGES)})(?:\.\w+)+(?::\w+)?").fullmatch
ON_TOP = ("sequencer.cli",)
ABOVE = {"sequencer.__main__"}


def module_name(path: str) -> str:
    return path.removesuffix(".py").removesuffix("/__init__").replace("/", ".")


def is_within(module: str, part: str) -> bool:
    return module == part or module.startswith(part + ".")


def imports(path: str, text: str) -> Iterator[tuple[int, str]]:
    """Line and full name of every module or name that is imported, wherever in the file."""
    package = path.removesuffix(".py").split("/")[:-1]
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.Import):
            for alias in node.names:
                yield node.lineno, alias.name
        elif isinstance(node, ast.ImportFrom):
            base = package[: len(package) - node.level + 1] if node.level else []
            base = [*base, *([node.module] if node.module else [])]
            for alias in node.names:
                yield node.lineno, ".".join([*base, alias.name])
        elif isinstance(node, ast.Constant) and isinstance(node.value, str) and BY_NAME(node.value):
            yield node.lineno, node.value.partition(":")[0]


def wrong_imports(house: Mapping[str, str]) -> list[str]:
    """Imports against the direction grammar ← drivers ← sequencer, and within sequencer."""
    found = []
    for path, text in house.items():
        module = module_name(path)
        part = max((p for p in KNOWS if is_within(module, p)), key=len)
        for line, target in imports(path, text):
            if not any(is_within(target, package) for package in PACKAGES):
                continue
            known = any(is_within(target, p) for p in (part, *KNOWS[part]))
            top = any(is_within(target, p) for p in ON_TOP) and module not in ABOVE
            if not known or top:
                found.append(f"{path}:{line} imports {target}")
    return found


def branches_on_simulation(house: Mapping[str, str]) -> list[str]:
    """Conditions outside drivers that ask whether something is simulated."""
    found = []
    for path, text in house.items():
        if path.startswith("drivers/"):
            continue
        for node in ast.walk(ast.parse(text)):
            asked: list[ast.AST] = []
            if isinstance(node, ast.If | ast.IfExp | ast.While | ast.Assert):
                asked = [node.test]
            elif isinstance(node, ast.comprehension):
                asked = [*node.ifs]
            elif isinstance(node, ast.Match):
                asked = [node.subject, *(case.pattern for case in node.cases)]
            names = [
                name
                for condition in asked
                for part in ast.walk(condition)
                for name in (getattr(part, "id", None), getattr(part, "attr", None))
                if isinstance(name, str) and "simulat" in name.lower()
            ]
            found += [f"{path}: {ast.unparse(node).splitlines()[0]}" for _ in names[:1]]
    return found


def without_purpose(house: Mapping[str, str]) -> list[str]:
    """Modules that don't open with a sentence that says what they are for."""
    found = []
    for path, text in house.items():
        first = (ast.get_docstring(ast.parse(text)) or "").split("\n\n")[0]
        if not re.search(r"\w.*\w.*[.:]\Z", first, re.DOTALL):
            found.append(path)
    return found


def paths_named(document: str) -> list[str]:
    """The paths of the house that a document names, in code and not in a block of commands."""
    text = re.sub(r"^```.*?^```$", "", document, flags=re.DOTALL | re.MULTILINE)
    inside = "|".join([*PACKAGES, "recipes", "tests", r"\.ci"])
    return [
        code
        for code in re.findall(r"`([^`\n]+)`", text)
        if re.fullmatch(rf"(?:{inside})/[\w./-]*|[\w-]+\.(?:md|toml|lock)", code)
    ]


def missing(document: str, root: Path) -> list[str]:
    return [path for path in paths_named(document) if not (root / path).exists()]


def test_imports_run_one_way() -> None:
    assert len(HOUSE) > 50
    assert wrong_imports(HOUSE) == []


@pytest.mark.parametrize(
    ("path", "text", "found"),
    [
        ("grammar/parse.py", "from drivers.clock import Clock", "drivers.clock.Clock"),
        ("grammar/parse.py", "def f():\n    import sequencer.api", "sequencer.api"),
        ("drivers/scpi/link.py", "from sequencer import api", "sequencer.api"),
        ("drivers/bench.py", "import drivers.clock, sequencer", "sequencer"),
        (
            "sequencer/checker/flow/order.py",
            "from sequencer.engine import run",
            "sequencer.engine.run",
        ),
        (
            "sequencer/checker/flow/order.py",
            "from ...report import words",
            "sequencer.report.words",
        ),
        (
            "sequencer/checker/naming/scope.py",
            "from sequencer.checker.expressions import units",
            "sequencer.checker.expressions.units",
        ),
        (
            "sequencer/checker/steps/steps.py",
            "from sequencer.checker.flow.order import Paths",
            "sequencer.checker.flow.order.Paths",
        ),
        ("sequencer/analysis/results.py", "from sequencer.record import x", "sequencer.record.x"),
        ("sequencer/record/store.py", "from sequencer import report", "sequencer.report"),
        ("sequencer/record/store.py", "import_module('sequencer.engine.run')",
         "sequencer.engine.run"),
        ("sequencer/api.py", "from sequencer.cli import main", "sequencer.cli.main"),
    ],
)  # fmt: skip
def test_a_wrong_import_is_found(path: str, text: str, found: str) -> None:
    line = 2 if "\n" in text else 1
    assert wrong_imports({path: text}) == [f"{path}:{line} imports {found}"]


def test_a_right_import_is_not_found() -> None:
    assert (
        wrong_imports(
            {
                "grammar/parse.py": "import re\nfrom grammar import tree\nfrom . import lines",
                "drivers/scpi/link.py": "from grammar.quantity import read\nfrom .. import clock",
                "sequencer/checker/flow/order.py": "from sequencer.analysis.signatures import x\n"
                "from sequencer.checker.flow import loops\nfrom drivers.kinds import KINDS\n"
                "from sequencer.checker.naming import scope",
                "sequencer/checker/__init__.py": "from sequencer.checker.flow.order import x",
                "sequencer/engine/run.py": "from sequencer.record.writer import Writer",
                "sequencer/__main__.py": "from sequencer.cli import main",
            }
        )
        == []
    )


def test_nothing_outside_drivers_asks_whether_it_is_simulated() -> None:
    assert branches_on_simulation(HOUSE) == []


@pytest.mark.parametrize(
    "text",
    [
        "if bench.simulated:\n    pass",
        "x = 1 if is_simulated(channel) else 2",
        "while not isinstance(channel, SimulatedInstrument):\n    pass",
        "y = [c for c in channels if c.simulated]",
        "match channel:\n    case SimulatedInstrument():\n        pass",
        "def f():\n    if a:\n        pass\n    elif b.simulation:\n        pass",
    ],
)
def test_a_question_whether_it_is_simulated_is_found(text: str) -> None:
    assert len(branches_on_simulation({"sequencer/engine/run.py": text})) == 1
    assert branches_on_simulation({"drivers/bench.py": text}) == []


def test_every_module_says_what_it_is_for() -> None:
    assert without_purpose(HOUSE) == []
    assert without_purpose({"a.py": "", "b.py": "x = 1", "c.py": '"""Words"""'}) == [
        "a.py",
        "b.py",
        "c.py",
    ]


def test_no_part_bears_the_name_of_a_public_function() -> None:
    """Else `sequencer.check` would be a function or a package, by what was imported first."""
    parts = {path.split("/")[1].removesuffix(".py") for path in HOUSE if "sequencer/" in path}
    assert parts >= {"checker", "engine", "record"}
    assert parts & set(sequencer.__all__) == set()


def test_every_path_in_the_plan_of_the_house_exists(tmp_path: Path) -> None:
    plan = (ROOT / "DEVELOPERS.md").read_text("utf-8")
    assert len(paths_named(plan)) > 20
    assert missing(plan, ROOT) == []
    made_up = "`tests/gone.py`, `grammar/`, `run`\n```sh\npython tests/x\n```\n"
    assert missing(made_up, tmp_path) == ["tests/gone.py", "grammar/"]


HEAVY = ("numpy", "scipy", "matplotlib", "pyvisa", "pydantic")
ASK = f"""
import sys
from sequencer.cli import main
try:
    code = main(sys.argv[1:])
except SystemExit as ended:
    code = ended.code
heavy = [name for name in {HEAVY!r} if name in sys.modules]
print("loaded:", code or 0, *heavy)
"""


def loaded_by(*arguments: str) -> str:
    """Exit code and heavy modules of a command, in a process of its own."""
    environment = {**os.environ, "PYTHONPATH": str(ROOT), "NO_COLOR": "1"}
    done = subprocess.run(
        [sys.executable, "-c", ASK, *arguments],
        cwd=ROOT,
        env=environment,
        capture_output=True,
        text=True,
        timeout=60,
        check=True,
    )
    return done.stdout.splitlines()[-1]


def test_help_and_check_load_nothing_heavy() -> None:
    assert loaded_by("--help") == "loaded: 0"
    for path in sorted((ROOT / "recipes").glob("*.recipe")):
        assert loaded_by("check", str(path)) == "loaded: 0"


def test_what_is_heavy_would_be_seen() -> None:
    recipe = ROOT / "recipes" / "sweep-diode.recipe"
    bench = recipe.with_name("sweep-diode.bench.toml")
    assert "pydantic" in loaded_by("check", str(recipe), "--bench", str(bench))
