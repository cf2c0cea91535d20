"""What a decision could say, if somebody takes it. Nothing is ever excluded or corrected without one."""

from __future__ import annotations

import math

from .distances import own_constant
from .finding import Explanation, Remedy
from .point import Point


def remedies(point: Point, e: Explanation) -> tuple[Remedy, ...]:
    """`[[decision]]` entries that would put a cause right, or leave out what it spoils; none where neither is possible.

    A free size is no correction: it is what the network says already, and putting it in would only count that twice.
    """
    network, obs = point.solved.network, point.solved.obs
    if e.group == "height" and not math.isnan(e.value):
        entered = float(network.setups.height[e.subject])
        return (Remedy("correct", f"setup {e.name} height", entered - e.value),)
    if e.cause == "other_prism":
        right = own_constant(network, e.subject) - e.value
        return (Remedy("correct", f"setup {e.name} prism_constant", right),)
    if e.cause == "wrong_face":
        face = {str(name): int(f) for name, f in zip(network.sights.id, network.sights.face, strict=True)}
        row = str(e.detail[0])
        return (Remedy("correct", f"sight {row} face", str(3 - face[row])),)
    if e.cause == "wrong_mark":
        return (Remedy("correct", f"setup {e.name} mark", str(e.detail[0])),)
    if e.cause == "names_swapped":
        marks, at = network.marks.mark, network.setups.mark
        other, there = str(e.detail[0]), int(str(e.detail[1]))
        return (
            Remedy("correct", f"setup {e.name} mark", str(marks[at[there]])),
            Remedy("correct", f"setup {other} mark", str(marks[at[e.subject]])),
        )
    if e.what == "control":
        return (Remedy("leave_out", f"control {e.name}"),)
    if e.what == "sight":
        if obs.block[e.subject] >= 0:
            return (Remedy("leave_out", f"observation {e.name}"),)
        if e.cause == "wrong_target":
            s, i = network.sights, e.subject
            rows = (s.start == obs.start_setup[i]) & (s.end == obs.end_setup[i]) & s.used
            return tuple(Remedy("leave_out", f"sight {name}") for name in s.id[rows])
        return (Remedy("leave_out", f"observation {obs.id[e.subject]}"),)
    if e.what == "setup":
        return (Remedy("leave_out", f"setup {e.name}"),)
    return ()
