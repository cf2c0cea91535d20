"""Largest first, in an order that rounding does not decide."""

from __future__ import annotations

from collections.abc import Sequence

TIE = 1e-9  # relative: what rounding makes of equal evidence


def ranked(values: Sequence[float]) -> list[int]:
    """Places of the values, largest first; those equal to the largest of them but for rounding as they stand.

    What ties exactly differs in its last digits, and those change with the version of a library or the machine. Our choice.
    """
    order = sorted(range(len(values)), key=lambda i: -values[i])
    out: list[int] = []
    first = 0
    while first < len(order):
        leader = values[order[first]]
        last = first + 1
        while last < len(order) and leader - values[order[last]] <= TIE * abs(leader):
            last += 1
        out += sorted(order[first:last])
        first = last
    return out
