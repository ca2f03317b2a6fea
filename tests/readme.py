"""What the README shows of a run, made by the commands that it names.

    python -m tests.readme

writes the check's table into README.md and the pictures into recipes/pictures. A test does the same
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

from sequencer.cli import main

ROOT = Path(__file__).parent.parent
PICTURES = ROOT / "recipes" / "pictures"
RECIPE = "characterise-supercapacitor"
# The page as it comes out of the browser; how letters are drawn differs from machine to machine.
PAGE = "report.png"
_BLOCK = re.compile(r"(<!-- made by: python -m tests.readme -->\n```text\n).*?(```\n)", re.DOTALL)


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


def with_table(text: str, table: str) -> str:
    """The README with a table in its place."""
    found, count = _BLOCK.subn(lambda match: f"{match[1]}{table}{match[2]}", text)
    assert count == 1
    return found


def write() -> None:
    """Renew what the README shows."""
    from tempfile import TemporaryDirectory

    readme = ROOT / "README.md"
    readme.write_text(with_table(readme.read_text("utf-8"), checked()), "utf-8")
    PICTURES.mkdir(exist_ok=True)
    with TemporaryDirectory() as made:
        folder = Path(made)
        draw(folder)
        photograph(folder)
        for name in ("discharge.svg", "area.svg", PAGE):
            shutil.copy(folder / name, PICTURES / name)


if __name__ == "__main__":
    sys.exit(write())
