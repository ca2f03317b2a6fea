"""What a path may have spent: time, time under power, energy and charge, all bounded from above.

A ledger has one account a channel. It is summed along a path and joined by the larger of each where
paths meet, so that it bounds every path at once. Values in s, J and C; knows no step.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import NamedTuple

Sums = tuple[float, float, float, float, float]
"""Time under power (s), energy in and out (J), charge in and out (C); or their rates a second."""

NOTHING: Sums = (0.0, 0.0, 0.0, 0.0, 0.0)


class Account(NamedTuple):
    """One channel's sums.

    `total` since the start; `since` the output was last switched on; `best` the largest that this
    ever was; `rates` the largest rates so far.
    """

    total: Sums = NOTHING
    since: Sums = NOTHING
    best: Sums = NOTHING
    rates: Sums = NOTHING

    def spent(self, gone: Sums, rates: Sums) -> Account:
        """After so much more at these rates."""
        if gone == NOTHING:
            return self._replace(rates=larger(self.rates, rates))
        since = plus(self.since, gone)
        best = since if self.best == self.since else larger(self.best, since)
        return Account(plus(self.total, gone), since, best, larger(self.rates, rates))

    def joined(self, other: Account) -> Account:
        """The larger of each."""
        return self if self == other else Account(*map(larger, self, other))


EMPTY = Account()


def larger(a: Sums, b: Sums) -> Sums:
    """The larger of each."""
    if a == b:
        return a
    return tuple(map(max, a, b))  # type: ignore[return-value]


def capped(a: Sums, most: Sums) -> Sums:
    """The smaller of each, but what has no bound: a person may take longer than any loop."""
    return tuple(  # type: ignore[return-value]
        x if math.isinf(x) else min(x, y) for x, y in zip(a, most, strict=True)
    )


def plus(a: Sums, b: Sums) -> Sums:
    """The sum of each."""
    return a[0] + b[0], a[1] + b[1], a[2] + b[2], a[3] + b[3], a[4] + b[4]


def times(a: Sums, factor: float) -> Sums:
    """Each times a factor; nothing stays nothing, however often."""
    if a == NOTHING or factor == 0:
        return NOTHING
    return tuple([x * factor if x else 0.0 for x in a])  # type: ignore[return-value]


class Ledger(NamedTuple):
    """The longest time (s) since the start, and the accounts by channel.

    `least_s` is the shortest time since the innermost capture began.
    """

    time_s: float
    accounts: Mapping[str, Account]
    least_s: float = 0.0

    def spent(self, time_s: float, rates: Mapping[str, Sums], least_s: float = 0.0) -> Ledger:
        """After so long at these rates; no time at all still shows the rates."""
        found = {
            name: account.spent(times(rates[name], time_s), rates[name])
            for name, account in self.accounts.items()
        }
        return Ledger(self.time_s + time_s, found, self.least_s + least_s)

    def asked(self, rates: Mapping[str, Sums]) -> Ledger:
        """After the person has taken any time at these rates; that time itself isn't counted."""
        found = {}
        for name, account in self.accounts.items():
            gone = (0.0, *times(rates[name], math.inf)[1:])
            found[name] = account.spent(gone, rates[name])
        return Ledger(self.time_s, found, self.least_s)

    def switched(self, channel: str) -> Ledger:
        """A channel's output goes on or off: what counts since it went on begins anew."""
        account = self.accounts[channel]._replace(since=NOTHING)
        return Ledger(self.time_s, {**self.accounts, channel: account}, self.least_s)

    def joined(self, other: Ledger) -> Ledger:
        """Where two paths meet: the larger of each."""
        if other is self:
            return self
        return Ledger(
            max(self.time_s, other.time_s),
            {name: account.joined(other.accounts[name]) for name, account in self.accounts.items()},
            min(self.least_s, other.least_s),
        )

    def after(self, loop: Ledger) -> Ledger:
        """After all that a loop spent; its periods count on from those that began before it."""
        return Ledger(
            self.time_s + loop.time_s,
            {
                name: Account(
                    plus(account.total, loop.accounts[name].total),
                    loop.accounts[name].since,
                    larger(account.best, loop.accounts[name].best),
                    larger(account.rates, loop.accounts[name].rates),
                )
                for name, account in self.accounts.items()
            },
            self.least_s + loop.least_s,
        )

    def afresh(self) -> Ledger:
        """Nothing spent yet, for the same channels."""
        return Ledger(0.0, dict.fromkeys(self.accounts, EMPTY))
