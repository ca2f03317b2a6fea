"""What has gone into a part, or come out of it, counted from above: for energy and charge ratings.

Between two readings the larger of both counts, not their mean, and the gain error is added: a tally
never says less than what flowed. It looks ahead by the most that can flow until the output can be
open. One tally is one side of one rating; it takes no reading and switches nothing.
"""

from __future__ import annotations

import math

SHARE_OF_WHAT_IS_LEFT = 0.1


class Tally:
    """One side of a rating: `bound` is the magnitude (J or C) that must not be passed.

    `sign` is 1.0 for what goes in and -1.0 for what comes out. A part that stores counts from its
    lowest point since the output went on, one that dissipates from the run's start.
    """

    __slots__ = (
        "bound",
        "down",
        "flow",
        "highest",
        "highest_at",
        "quantity",
        "relaxed",
        "sign",
        "stores",
        "total",
        "trip",
        "up",
    )  # fmt: skip

    def __init__(self, quantity: str, sign: float, bound: float, stores: bool) -> None:
        self.quantity, self.sign, self.bound, self.stores = quantity, sign, bound, stores
        self.total = 0.0
        self.highest = -math.inf
        self.highest_at = 0.0
        self.judge(0.0, 0.0, 0.0, 0.0)

    def judge(self, flow: float, blind_s: float, longest_s: float, gain: float) -> None:
        """Work the bounds out anew.

        `flow` is the most that can flow each second, `blind_s` the time until the output can be
        open, `longest_s` the longest interval between readings, `gain` the gain error.
        """
        self.flow = flow
        self.up, self.down = 1 + gain, 1 - gain
        self.trip = self.bound - flow * blind_s
        # With apertures of seconds the output may take longer to open than ten intervals.
        self.relaxed = min(self.trip, self.bound - flow * longest_s / SHARE_OF_WHAT_IS_LEFT)

    def add(self, moment: float, interval: float, now: float, before: float) -> bool:
        """Count an interval (s) between two readings of the flow (W or A).

        Returns True where the rating comes near: nearer than is good for the longest interval.
        """
        if self.sign < 0:
            now, before = -now, -before
        most = (now if now > before else before) * interval
        total = self.total + most * (self.up if most > 0 else self.down)
        if total < 0.0 and self.stores:
            total = 0.0
        self.total = total
        if total > self.highest:
            self.highest = total
            self.highest_at = moment
        return total > self.relaxed

    def most(self, amount: float) -> float:
        """An amount (J or C) that may yet go in, with the gain error."""
        return amount * self.up

    def begin(self) -> None:
        """The output goes on anew: a part that stores is counted from here."""
        if self.stores:
            self.total = 0.0

    def interval(self) -> float:
        """How long may pass until the next reading (s): a tenth of what is left, at most."""
        left = max(self.bound - self.total, 0.0)
        return SHARE_OF_WHAT_IS_LEFT * left / self.flow if self.flow > 0 else math.inf
