"""Which words begin which lines, and so what kind of line a person means. No other grammar."""

from __future__ import annotations

import re

FIRST_WORDS = {
    "declaration": (
        "recipe", "about", "channel", "digital", "part", "setting", "require", "guard", "procedure",
        "steps", "finally", "results",
    ),
    "step": (
        "setup", "source", "output", "measure", "wait", "every", "repeat", "for", "leave", "if",
        "else", "otherwise", "sweep", "ramp", "pulse", "capture", "settle", "switch", "ask",
        "confirm", "do", "let", "set", "reset", "say", "note", "stop", "fail",
    ),
    "result": ("expect", "plot"),
    "rating": (
        "voltage", "current", "power", "energy", "charge", "temperature", "chemistry", "in",
        "capacity", "own",
    ),
}  # fmt: skip
_KINDS = {word: kind for kind, words in FIRST_WORDS.items() for word in words}
_FIRST = re.compile(r"(?P<word>[^\W\d]\w*)\s*(?P<then>=(?!=)|[.,])?")
_OPENING = frozenset(
    (
        *("part", "procedure", "steps", "finally", "results"),
        *("every", "repeat", "for", "if", "else", "otherwise", "capture"),
    )
)


def kind_of(text: str) -> str | None:
    """What kind of line this means to be, by its first word; None where that can't be told."""
    match = _FIRST.match(text)
    if match is None or match["then"] == "=":
        return "result" if match else None
    return _KINDS.get(match["word"])


def kind_beneath(text: str) -> str:
    """The kind of the lines in the block that a line opens."""
    match = _FIRST.match(text)
    return {"part": "rating", "results": "result"}.get(match["word"] if match else "", "step")


def may_be_joined(text: str) -> bool:
    """Whether an `else` or `otherwise` may follow a line and its block, at its indentation."""
    return opens_block(text) or re.match(r"(?:settle|wait\s+for)(?!\w)", text) is not None


def opens_block(text: str) -> bool:
    """Whether a line means to open a block, with its colon or without."""
    match = _FIRST.match(text)
    return text.endswith(":") or (
        match is not None and match["word"] in _OPENING and not match["then"]
    )
