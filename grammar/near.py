"""Words that are like others, and words in a sentence. Knows no language."""

from __future__ import annotations

from collections.abc import Iterable


def near(word: str, choices: Iterable[str]) -> str | None:
    """The choice that a misspelt word most likely means, None where none is near."""
    import difflib

    folded = {choice.lower(): choice for choice in choices}
    if word.lower() in folded:
        return folded[word.lower()]
    found = difflib.get_close_matches(word.lower(), list(folded), n=1, cutoff=0.7)
    # Two letters changed about in a short word are far apart by the measure above.
    found += [choice for choice in folded if sorted(choice) == sorted(word.lower())]
    return folded[found[0]] if found else None


def listed(words: Iterable[str], most: int = 8) -> str:
    """Words for a sentence: "a, b or c"."""
    words = list(dict.fromkeys(words))
    if len(words) > most:
        words = [*words[: most - 1], "…"]
        return ", ".join(words)
    if len(words) < 2:
        return "".join(words)
    return ", ".join(words[:-1]) + " or " + words[-1]
