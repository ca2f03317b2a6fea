"""Where functions of time pass through zero: sums of exponentials, and any that are monotone."""

from __future__ import annotations

import math
from collections.abc import Callable


def zeros(terms: list[tuple[float, float]], horizon: float) -> list[float]:
    """Where Σ w·exp(λ t) changes sign in (0, horizon), ascending; terms (λ, w), λ descending.

    Divided by its slowest exponential the sum keeps its zeros and its derivative has one term less;
    between the zeros of that derivative it is monotone and has one zero at most.
    """
    terms = [term for term in terms if term[1] != 0]
    signs = [weight > 0 for _, weight in terms]
    if all(signs) or not any(signs):
        return []
    slowest = terms[0][0]
    divided = [(rate - slowest, weight) for rate, weight in terms]

    def value(t: float) -> float:
        return sum(weight * math.exp(rate * t) for rate, weight in divided)

    turns = zeros([(rate, rate * w) for rate, w in divided[1:]], horizon)
    return sign_changes(value, [*turns, horizon])


def sign_changes(value: Callable[[float], float], bounds: list[float]) -> list[float]:
    """Where a function changes its sign that is monotone from 0 to the first bound, and so on."""
    found, left, at_left = [], 0.0, value(0.0)
    for right in bounds:
        at_right = value(right)
        if (at_left < 0) != (at_right < 0):
            falling = at_right < 0
            found.append(
                crossing(lambda t, f=falling: -value(t) if f else value(t), left, right)  # type: ignore[misc]
            )
        left, at_left = right, at_right
    return found


def crossing(excess: Callable[[float], float], left: float, right: float) -> float:
    """Where a monotone function rises through zero in (left, right], to the last bit of t.

    By interpolation, truncation and projection (Oliveira and Takahashi, ACM Transactions on
    Mathematical Software 47 (2021) 5, from memory): never more steps than by halving, but for one.
    """
    # The middle of the exponents while they differ much: a root near zero under a far end.
    while left > 0 and right > 4 * left:
        middle = math.sqrt(left * right)
        if excess(middle) > 0:
            right = middle
        else:
            left = middle
    at_left, at_right = excess(left), excess(right)
    first, widest = right - left, right - left
    while True:
        half = (left + right) / 2
        if not left < half < right:
            return right
        width = right - left
        guess = half
        if at_left < 0 < at_right:
            guess = (right * -at_left + left * at_right) / (at_right - at_left)
        to_half = half - guess
        # At the end some last digits further, so that both sides come near the root.
        beyond = max(0.2 * width * width / first, 2 * math.ulp(guess))
        guess += math.copysign(min(beyond, abs(to_half)), to_half)
        most = max(widest - width / 2, 0.0)
        if abs(guess - half) > most:
            guess = half - math.copysign(most, to_half)
        guess = min(max(guess, math.nextafter(left, right)), math.nextafter(right, left))
        value = excess(guess)
        if value > 0:
            right, at_right = guess, value
        else:
            left, at_left = guess, value
        widest /= 2
