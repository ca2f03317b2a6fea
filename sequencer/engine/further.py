"""What comes with each row of a trace: its further columns, and what looks at its newest part."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

    from sequencer.engine.newest import Newest
    from sequencer.record import StreamWriter


class Further:
    """One trace's, as one step fills them; `values` gives the further columns as they are now."""

    def __init__(
        self, stream: StreamWriter | None, values: Callable[[], list[float]], newest: Newest | None
    ) -> None:
        self._stream, self._values, self._newest = stream, values, newest

    @property
    def takes_many(self) -> bool:
        """Whether many rows may come at once: nothing looks at them one by one."""
        return self._newest is None

    def row(self, moment: float) -> None:
        """A row has been measured at a moment (s)."""
        if self._stream is not None:
            self._stream.append((moment, *self._values()))
        if self._newest is not None:
            self._newest.add(moment)

    def rows(self, moments: npt.NDArray[np.float64]) -> None:
        """Many rows have been measured, and no column has changed meanwhile."""
        if self._stream is not None:
            self._stream.extend((moments, *self._values()), len(moments))
