"""A located mistake, raised where a line's node is built and caught where the line is read."""

from __future__ import annotations

from grammar.diagnostic import Span


class Mistake(Exception):
    """What is wrong with a line that is grammatical and still makes no sense by itself."""

    def __init__(self, slug: str, message: str, hint: str, span: Span) -> None:
        super().__init__(message)
        self.slug, self.message, self.hint, self.span = slug, message, hint, span
