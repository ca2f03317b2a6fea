"""Classes by the names that a bench file has for them, each loaded when it is first asked for.

A bench names few of them, and every command that reads one would wait for all.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from importlib import import_module
from typing import TypeVar, cast

T = TypeVar("T")


class ByName(Mapping[str, type[T]]):
    """`places` say where each class stands in a package: "module:Class"."""

    def __init__(self, package: str, places: Mapping[str, str]) -> None:
        self._package = package
        self._places = places

    def __getitem__(self, name: str) -> type[T]:
        module, _, own = self._places[name].partition(":")
        return cast("type[T]", getattr(import_module(f"{self._package}.{module}"), own))

    def __contains__(self, name: object) -> bool:
        return name in self._places

    def __iter__(self) -> Iterator[str]:
        return iter(self._places)

    def __len__(self) -> int:
        return len(self._places)
