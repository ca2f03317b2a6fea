"""What every node of a recipe's tree is: frozen, compared by meaning, with the span it stands at.

Knows no node in particular.
"""

from __future__ import annotations

from typing import Any, ClassVar, NamedTuple, TypeVar, dataclass_transform

from grammar.diagnostic import NOWHERE, Span

_T = TypeVar("_T")


class Node:
    """The base of all nodes: what a frozen data class gives, without its code made for each class.

    Making that code takes half a millisecond a class, a fifth of the time in which a recipe is to
    be checked; one `__init__` and one `__eq__` for all take none.
    """

    _names: ClassVar[tuple[str, ...]] = ()
    _inner: ClassVar[tuple[str, ...]] = ()
    """The fields that may hold other nodes."""
    _compared: ClassVar[tuple[str, ...]] = ()
    _required: ClassVar[frozenset[str]] = frozenset()

    def __init__(self, *values: Any, **named: Any) -> None:
        if len(values) == len(self._names) and not named:
            own = self.__dict__
            # Long recipes have many nodes, and to ask for `strict` takes longer than the rest.
            for name, value in zip(self._names, values):  # noqa: B905
                own[name] = value
            return
        given = dict(zip(self._names, values, strict=False)) | named
        if len(given) != len(values) + len(named) or not self._required <= given.keys():
            raise TypeError(f"{type(self).__name__} takes {', '.join(self._names)}")
        self.__dict__.update(given)

    def _meaning(self) -> tuple[Any, ...]:
        return tuple(getattr(self, name) for name in self._compared)

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, Node) or type(self) is not type(other):
            return NotImplemented
        return self._meaning() == other._meaning()

    def __hash__(self) -> int:
        return hash((type(self), self._meaning()))

    def __repr__(self) -> str:
        meaning = zip(self._compared, self._meaning(), strict=True)
        return f"{type(self).__name__}({', '.join(f'{n}={v!r}' for n, v in meaning)})"

    def __setattr__(self, name: str, value: Any) -> None:
        from dataclasses import FrozenInstanceError

        raise FrozenInstanceError(f"a {type(self).__name__} doesn't change")


_MISSING = object()
_WITHOUT_NODES = frozenset(
    ("str", "bool", "Span", "Quantity", "str | None", "bool | None", "tuple[str, ...]")
)
"""What a field is annotated with that holds no other node."""


class _Beside(NamedTuple):
    """The mark of a field that is no part of a node's meaning, with its default."""

    default: Any


@dataclass_transform(frozen_default=True)
def node(cls: type[_T]) -> type[_T]:
    """Make a class of annotated fields a node."""
    made: Any = cls
    compared, required = [], set()
    for name in cls.__annotations__:
        default: Any = cls.__dict__.get(name, _MISSING)
        if isinstance(default, _Beside):
            default = default.default
        else:
            compared.append(name)
        if default is not _MISSING:
            setattr(cls, name, default)
            continue
        required.add(name)
        if name in cls.__dict__:
            delattr(cls, name)
    made._names = tuple(cls.__annotations__)
    made._inner = tuple(n for n, kind in cls.__annotations__.items() if kind not in _WITHOUT_NODES)
    made.__match_args__ = made._names  # type: ignore[misc] # what `case Name(id)` goes by
    made._compared = tuple(compared)
    made._required = frozenset(required)
    return cls


def place() -> Span:
    """The field of a node that says where it stands: no part of its meaning."""
    return beside(NOWHERE)  # type: ignore[no-any-return]


def beside(default: Any = _MISSING) -> Any:
    """A field that is no part of a node's meaning, and must be given where it has no default."""
    return _Beside(default)


def replaced(node: Any, **changes: Any) -> Any:
    """A node with some of its fields changed."""
    fields = {name: getattr(node, name) for name in node._names}
    return type(node)(**(fields | changes))
