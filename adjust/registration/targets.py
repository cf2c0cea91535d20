"""What a registration rests on: target centres with their full covariance, from an adjusted network.

A scanner sees the centre of a target, so a target setup gives mark + (δe, δn, h + δh); a mark gives itself. Centres that
stand on one mark, one base or near one another have common errors: the covariance is that of all of them together.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ..ground.table import Flags, Floats, Ints, Names
from ..outcome.joint import MOST, point_coordinates, point_covariance
from ..results import Adjustment
from ..trouble import Trouble, Undetermined

SCAN_SIGMA = 2.0e-3
"""Sigma per axis with which a scanner finds the centre of a target, m: common practice, no source."""


@dataclass(frozen=True)
class Targets:
    """n points known on the site, in one order everywhere.

    name, kind (n,): the target setup or mark, and the device that stands there; mark, setup (n,): rows, setup −1 for a mark
    centre (n, 3) m: east, north, height of what the scanner sees; mark_point (n, 3) m: of the mark below
    covariance (3n, 3n) m²: of the centres on the site, cross terms and all
    scan_sigma (n,) m: sigma per axis with which the scanner finds them
    """

    name: Names
    kind: Names
    mark: Ints
    setup: Ints
    centre: Floats
    mark_point: Floats
    covariance: Floats
    scan_sigma: Floats

    def __len__(self) -> int:
        return len(self.name)

    def total(self) -> Floats:
        """Covariance (3n, 3n) m² of the differences between site and scanner: both errors together."""
        return np.asarray(self.covariance + np.diag(np.repeat(self.scan_sigma**2, 3)))

    def take(self, rows: Ints | Flags) -> Targets:
        """The same for some of them."""
        at = np.arange(len(self))[rows]
        wide = (3 * at[:, None] + np.arange(3)).reshape(-1)
        return Targets(
            self.name[at], self.kind[at], self.mark[at], self.setup[at], self.centre[at], self.mark_point[at],
            self.covariance[np.ix_(wide, wide)], self.scan_sigma[at],
        )  # fmt: skip


def targets_of(
    adjustment: Adjustment, marks: Ints, setups: Ints, scan_sigma: Floats, heights: Floats | None = None
) -> Targets:
    """Targets at some marks; setup −1 takes the mark itself, otherwise the centre of the device there.

    `heights` (n,), where not NaN, is the height of the scanner's own target over the mark on the same support, in place of
    the height of the prism. Raises Undetermined where a point lacks one of its coordinates.
    """
    m, net = adjustment.marks, adjustment.network
    names = np.where(setups >= 0, net.setups.setup[setups] if len(net.setups) else "", m.mark[marks])
    centre = point_coordinates(adjustment, marks, setups)
    lost = ~np.isfinite(centre).all(axis=1)
    if lost.any():
        who = ", ".join(map(str, names[lost]))
        raise Undetermined(
            (
                Trouble(
                    "NET312",
                    f"A target needs east, north and height: {who} has not all of them.",
                    "Leave it out, or determine what is missing.",
                    tuple(str(m.mark[i]) for i in marks[lost]),
                ),
            )
        )
    if heights is not None and len(net.setups):
        own = point_coordinates(adjustment, marks, setups, heights=heights)
        centre = np.where(np.isnan(heights)[:, None], centre, own)
    devices = net.targets.target if len(net.targets) else np.array([""], dtype=object)
    kind = np.full(len(marks), "mark", dtype=object)
    for i, s in enumerate(setups.tolist()):
        if s >= 0:
            kind[i] = str(devices[net.setups.device[s]])
    if 3 * len(marks) > MOST:
        text = f"{len(marks)} targets are more than their joint covariance is made for: {MOST // 3} at most."
        raise Undetermined((Trouble("NET318", text, "Name the targets of one scan with --targets."),))
    below = point_coordinates(adjustment, marks, np.full(len(marks), -1))
    return Targets(
        np.asarray(names, dtype=object), kind, marks, setups, centre, below,
        point_covariance(adjustment, marks, setups), np.asarray(scan_sigma, dtype=float),
    )  # fmt: skip


def standing(adjustment: Adjustment) -> tuple[Ints, Ints]:
    """Marks and setups of the targets that stood last: of each mark with a sighted target setup the last one of the table.

    Marks without all three coordinates are passed over.
    """
    net, m = adjustment.network, adjustment.marks
    whole: Flags = np.asarray(np.isfinite(np.column_stack([m.east, m.north, m.height])).all(axis=1))
    sighted = set(net.sights.end[net.sights.used].tolist())
    last: dict[int, int] = {}
    for s in np.flatnonzero(~net.setups.instrument).tolist():
        if s in sighted and whole[net.setups.mark[s]]:
            last[int(net.setups.mark[s])] = s
    return np.array(list(last), dtype=np.int64), np.array(list(last.values()), dtype=np.int64)


def require_spread(targets: Targets) -> None:
    """Raises Undetermined for fewer than three targets, or for targets on one line."""
    from .rigid import principal

    names: Sequence[str] = [str(n) for n in targets.name]
    if len(targets) < 3:
        found = f"{len(targets)} target{'' if len(targets) == 1 else 's'}: {', '.join(names) or 'none'}."
        raise Undetermined((Trouble("NET313", found, "A registration needs three targets, better five."),))
    extents, _ = principal(targets.centre)
    noise = float(np.sqrt(np.diagonal(targets.total()).max()))
    if extents[1] < 3.0 * noise:
        raise Undetermined(
            (
                Trouble(
                    "NET314",
                    f"The targets stand on one line: {', '.join(names)}. The cloud could turn about it.",
                    "Put a target well beside the line.",
                ),
            )
        )
