"""What a dialect lacks for a capability that the instrument has: said before anything is opened."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from drivers.faults import BenchFileError
from drivers.scpi.dialect_file import SHIPPED, lacks

NAME = "scpi-1999-source-measure"


@pytest.mark.parametrize(
    ("capability", "reason"),
    [
        ("pulse", f"the dialect `{NAME}` has no action for pulses"),
        ("capture", f"the dialect `{NAME}` has no action for captures"),
        ("two-sided limit", None),
        ("remote sense", None),
        ("source", None),
    ],
)
def test_the_shipped_dialect(capability: str, reason: str | None) -> None:
    assert lacks(NAME, capability) == reason


def test_a_dialect_of_ones_own(tmp_path: Path) -> None:
    """One symmetric limit for each quantity."""
    text = (SHIPPED / f"{NAME}.toml").read_text("utf-8")
    lines = text.split("\n")
    kept = [line for line in lines if not line.startswith(("voltage_limit_", "current_limit_"))]
    assert len(kept) == len(lines) - 4
    text = "\n".join(kept)
    (tmp_path / "own.toml").write_text(text, "utf-8")
    assert lacks("own.toml", "two-sided limit", tmp_path) == (
        "the dialect `own.toml` has no action for a limit with two sides"
    )
    assert lacks("own.toml", "remote sense", tmp_path) is None


def test_a_dialect_that_is_not_there() -> None:
    with pytest.raises(BenchFileError, match="is no dialect that comes with the program"):
        lacks("scpi", "pulse")


def test_asking_loads_nothing_of_a_link() -> None:
    text = (
        "import sys; from drivers.scpi.dialect_file import lacks; "
        f"lacks('{NAME}', 'pulse'); print({{'pyvisa', 'numpy', 'scipy'}} & set(sys.modules))"
    )
    done = subprocess.run(
        [sys.executable, "-c", text], capture_output=True, text=True, check=True, timeout=60
    )
    assert done.stdout.strip() == "set()"
