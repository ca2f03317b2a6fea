"""Where recipes and benches are found: by path, or by the name of a shipped one."""

from __future__ import annotations

from pathlib import Path

RECIPE_ENDING = ".recipe"
BENCH_ENDING = ".bench.toml"


class NotFound(LookupError):
    """No such recipe or bench; the message says what there is."""


def folder() -> Path:
    """The shipped recipes: within the package once installed, beside it in a source tree."""
    installed = Path(__file__).parent / "recipes"
    return installed if installed.is_dir() else Path(__file__).parent.parent / "recipes"


def names() -> list[str]:
    """The names of the shipped recipes."""
    return sorted(path.name.removesuffix(RECIPE_ENDING) for path in folder().glob("*.recipe"))


def find_recipe(given: str) -> Path:
    """The path of a recipe, given by path or shipped name. Raises NotFound."""
    if Path(given).is_file() and given.endswith(BENCH_ENDING):
        raise NotFound(
            f"{given} is a bench file, and a recipe is wanted here; --bench names a bench"
        )
    return _find(given, RECIPE_ENDING, "recipe")


def find_bench(given: str) -> Path:
    """The path of a bench file, given by path or shipped name. Raises NotFound."""
    if Path(given).is_file() and given.endswith(RECIPE_ENDING):
        raise NotFound(
            f"{given} is a recipe, and a bench file is wanted here; its name ends in {BENCH_ENDING}"
        )
    return _find(given, BENCH_ENDING, "bench file")


def bench_beside(recipe: Path) -> Path:
    """The bench of a recipe: of its name beside it, else the only one there. Raises NotFound."""
    own = recipe.with_name(recipe.name.removesuffix(RECIPE_ENDING) + BENCH_ENDING)
    if own.is_file():
        return own
    others = sorted(recipe.parent.glob("*" + BENCH_ENDING))
    if len(others) == 1:
        return others[0]
    found = "several stand there" if others else "none stands there"
    raise NotFound(
        f"no bench file {own.name} beside {recipe.name}, and {found}: name one with --bench"
    )


def _find(given: str, ending: str, what: str) -> Path:
    path = Path(given)
    if path.is_file():
        return path
    shipped = folder() / (given.removesuffix(ending) + ending)
    if path.name == given and shipped.is_file():
        return shipped
    if path.exists():
        if path.is_dir():
            raise NotFound(
                f"{given} is a folder, and a {what} is wanted here; name a file in it, or another"
            )
        raise NotFound(f"{given} is no plain file; name a {what} that ends in {ending}")
    from grammar.wording import near

    stems = sorted(p.name.removesuffix(ending) for p in folder().glob("*" + ending))
    close = near(given, stems)
    hint = f"did you mean {close}?" if close else f"shipped are {', '.join(stems)}"
    raise NotFound(f"there is no {what} {given}; {hint}")
