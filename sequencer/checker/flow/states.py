"""What is certain and what is possible of each channel at one place of a recipe.

Values that don't change, compared and joined; where they come from is not known here.
"""

from __future__ import annotations

from collections.abc import Iterable

from grammar.diagnostic import Span


class ChannelState:
    """One channel.

    `measured` and `sourced` are certain where true. `on` is where the output may have been switched
    on, None where it is certainly off; `off` says whether it may be off, and `off_at` where it was
    switched. `modes` are those that the last source may have; `aperture_s` is the shortest aperture
    in force, averaging counted, None where unknown.
    """

    __slots__ = ("aperture_s", "measured", "modes", "off", "off_at", "on", "sourced")

    def __init__(self, aperture_s: float | None) -> None:
        self.measured = False
        self.sourced = False
        self.on: Span | None = None
        self.off = True
        self.off_at: Span | None = None
        self.modes: frozenset[str] = frozenset()
        self.aperture_s = aperture_s

    def _copy(self) -> ChannelState:
        other = ChannelState(self.aperture_s)
        for name in self.__slots__:
            setattr(other, name, getattr(self, name))
        return other

    def sourced_in(self, mode: str) -> ChannelState:
        """After a source of a mode."""
        other = self._copy()
        other.sourced, other.modes = True, frozenset((mode,))
        return other

    def switched(self, on: Span | None, off_at: Span | None) -> ChannelState:
        """After the output was switched on at a place, or off at one."""
        other = self._copy()
        other.on, other.off, other.off_at = on, on is None, off_at
        return other

    def read(self) -> ChannelState:
        """After a reading."""
        other = self._copy()
        other.measured = True
        return other

    def with_aperture(self, aperture_s: float | None) -> ChannelState:
        """After its aperture was set."""
        other = self._copy()
        other.aperture_s = aperture_s
        return other

    def joined(self, other: ChannelState) -> ChannelState:
        """Where two paths meet: certain is what both are certain of."""
        both = self._copy()
        both.measured = self.measured and other.measured
        both.sourced = self.sourced and other.sourced
        both.on, both.off = self.on or other.on, self.off or other.off
        both.off_at = self.off_at or other.off_at
        both.modes = self.modes | other.modes
        if self.aperture_s is None or other.aperture_s is None:
            both.aperture_s = None
        else:
            both.aperture_s = min(self.aperture_s, other.aperture_s)
        return both

    def __eq__(self, other: object) -> bool:
        """Places don't count: which of several switches was the one decides nothing."""
        if not isinstance(other, ChannelState):
            return NotImplemented
        return self._meaning() == other._meaning()

    def __hash__(self) -> int:
        return hash(self._meaning())

    def _meaning(self) -> tuple[object, ...]:
        on = self.on is not None
        return self.measured, self.sourced, on, self.off, self.modes, self.aperture_s


class State:
    """The channels at one place, and the traces that have certainly been filled."""

    __slots__ = ("channels", "filled")

    def __init__(
        self, channels: dict[str, ChannelState], filled: frozenset[str] = frozenset()
    ) -> None:
        self.channels = channels
        self.filled = filled

    def having(self, name: str, channel: ChannelState) -> State:
        """With one channel in another state."""
        return State(self.channels | {name: channel}, self.filled)

    def measured(self, names: Iterable[str], into: str | None = None) -> State:
        """After readings of some channels, perhaps into a trace; unknown ones are passed over."""
        read = {n: self.channels[n].read() for n in names if n in self.channels}
        filled = self.filled if into is None else self.filled | {into}
        return State(self.channels | read, filled)

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, State):
            return NotImplemented
        return self.filled == other.filled and self.channels == other.channels

    __hash__ = None  # type: ignore[assignment]


def join(first: State | None, second: State | None) -> State | None:
    """Where two paths meet; None is a path that doesn't come here."""
    if first is None or second is None:
        return first or second
    return State(
        {name: first.channels[name].joined(second.channels[name]) for name in first.channels},
        first.filled & second.filled,
    )
