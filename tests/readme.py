"""What the README shows of a run, made by the commands that it names.

    python -m tests.readme

writes the check's table and what is said by hand into README.md, and the pictures into
recipes/pictures. A test does the same
in a folder of its own and compares: what is shown is what comes out.
"""

from __future__ import annotations

import io
import re
import shutil
import subprocess
import sys
from contextlib import redirect_stdout
from pathlib import Path
from unittest.mock import patch

from sequencer.cli import main

ROOT = Path(__file__).parent.parent
PICTURES = ROOT / "recipes" / "pictures"
RECIPE = "characterise-supercapacitor"
# The page as it comes out of the browser; how letters are drawn differs from machine to machine.
PAGE = "report.png"
BY_HAND = "sweep-diode"
_BLOCK = re.compile(r"(<!-- made by: python -m tests.readme -->\n```text\n)(.*?)(```\n)", re.DOTALL)
_GREETED = "Ctrl-C switches off and asks.\n"


def call(*arguments: str) -> str:
    """Call the command in this process; what it said."""
    said = io.StringIO()
    with redirect_stdout(said):
        code = main(arguments)
    assert code == 0, said.getvalue()
    return said.getvalue()


def checked() -> str:
    """The check's table, as `fusewire check` prints it."""
    return call("check", RECIPE, "--bench", RECIPE)


def by_hand(typed: list[str], folder: Path) -> str:
    """What `fusewire manual` shows where these lines are typed, each behind its prompt.

    On a pipe there are no prompts: what a line adds to what those before it brought is its answer.
    """
    shown, before = "", ""
    for count, line in enumerate(typed, 1):
        said = _said_by_hand(typed[:count], folder / f"{count}.recipe")
        assert said.startswith(before)
        shown += f"> {line}\n{said.removeprefix(before)}"
        before = said
    return shown


def _said_by_hand(typed: list[str], log: Path) -> str:
    """What those lines brought, without the greeting and the ending."""
    lines = log.with_suffix(".txt")
    lines.write_text("".join(f"{line}\n" for line in typed), "utf-8")
    with lines.open(encoding="utf-8") as stream, patch.object(sys, "stdin", stream):
        said = call(
            *("manual", "--bench", BY_HAND, "--from", BY_HAND, "--dry-run", "--log", str(log)),
            *("--record", str(log.with_name("records.sqlite"))),
        )
    return said.partition(_GREETED)[2].partition("\nFinished.\n")[0]


def typed_by_hand(text: str) -> list[str]:
    """The lines that the README shows as typed."""
    return re.findall(r"^> (.*)$", made_in(text)[1], re.MULTILINE)


def made_in(text: str) -> list[str]:
    """What the README has of what is made: the check's table, then what is said by hand."""
    return [made for _, made, _ in _BLOCK.findall(text)]


def draw(folder: Path) -> None:
    """The pictures of a dry run: its plots, its operating area, its page."""
    store = ("--record", str(folder / "records.sqlite"))
    call("dry-run", RECIPE, *store)
    call("plot", "last", "plot-1", *store, "--out", str(folder / "discharge.svg"))
    call("check", RECIPE, "--bench", RECIPE, "--picture", str(folder / "area.svg"))
    call("report", "last", *store, "--out", str(folder / "report.html"))


def photograph(folder: Path) -> None:
    """The top of the page as chromium shows it."""
    browser = shutil.which("chromium")
    assert browser is not None, "chromium is needed for the page's picture"
    subprocess.run(
        [
            browser,
            *("--headless", "--no-sandbox", "--disable-gpu", "--hide-scrollbars"),
            "--disable-background-networking",
            f"--user-data-dir={folder / 'profile'}",
            "--window-size=900,1400",
            f"--screenshot={folder / PAGE}",
            (folder / "report.html").as_uri(),
        ],
        check=True,
        capture_output=True,
        timeout=120,
    )


def with_made(text: str, *made: str) -> str:
    """The README with what was made in its places, one after another."""
    left = list(made)
    found = _BLOCK.sub(lambda match: f"{match[1]}{left.pop(0)}{match[3]}", text)
    assert not left
    return found


def write() -> None:
    """Renew what the README shows."""
    from tempfile import TemporaryDirectory

    readme = ROOT / "README.md"
    text = readme.read_text("utf-8")
    PICTURES.mkdir(exist_ok=True)
    with TemporaryDirectory() as made:
        folder = Path(made)
        (folder / "by-hand").mkdir()
        said = by_hand(typed_by_hand(text), folder / "by-hand")
        readme.write_text(with_made(text, checked(), said), "utf-8")
        draw(folder)
        photograph(folder)
        for name in ("discharge.svg", "area.svg", PAGE):
            shutil.copy(folder / name, PICTURES / name)


if __name__ == "__main__":
    sys.exit(write())
