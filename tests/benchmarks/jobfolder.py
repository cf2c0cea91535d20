"""A Network as a job folder in metres and d-m-s: what the whole-process benchmark reads."""

from __future__ import annotations

import csv
from pathlib import Path
from typing import Any

import numpy as np

from hubtack.adjust.ground.network import Network
from hubtack.io.units import ARCSEC, Units


def write_job(network: Network, folder: Path, name: str) -> None:
    """Write job.toml, marks.csv, setups.csv and sights.csv into `folder`, which must exist."""
    marks, setups, sights, units = network.marks, network.setups, network.sights, Units()
    (folder / "job.toml").write_text(job_toml(network, name), encoding="utf-8")
    axes = ("east", "north", "height")
    _table(folder / "marks.csv", [
        {"mark": mark}
        | {a: _length(getattr(marks, a)[i]) for a in axes}
        | {"control": "held" if marks.sigma_east[i] == 0.0 else ""}
        for i, mark in enumerate(marks.mark)
    ])  # fmt: skip
    _table(folder / "setups.csv", [
        {
            "setup": s, "role": "instrument" if setups.instrument[i] else "target", "mark": marks.mark[setups.mark[i]],
            "support": network.supports.support[setups.support[i]],
            "device": (network.instruments.instrument if setups.instrument[i] else network.targets.target)[
                setups.device[i]
            ],
            "height": _length(setups.height[i]), "base": f"b{setups.base[i]}" if setups.base[i] >= 0 else "",
        }
        for i, s in enumerate(setups.setup)
    ])  # fmt: skip
    _table(folder / "sights.csv", [
        {
            "id": row, "from": setups.setup[sights.start[i]], "to": setups.setup[sights.end[i]],
            "round": sights.round[i], "face": sights.face[i], "circle": units.show_azimuth(sights.circle[i]),
            "zenith": units.show_angle(sights.zenith[i]), "slope": _length(sights.slope[i]),
        }
        for i, row in enumerate(sights.id)
    ])  # fmt: skip


def job_toml(network: Network, name: str) -> str:
    """The text of job.toml."""
    lines = ["format = 1", "[job]", f'name = "{name}"', "[units]", 'length = "m"', 'angle = "dms"']
    t, s, g = network.instruments, network.supports, network.targets
    for i, instrument in enumerate(t.instrument):
        lines += [f"[instruments.{instrument}]", f'direction = "{t.direction[i] / ARCSEC:g} arcsec"']
        lines += [f'zenith = "{t.zenith[i] / ARCSEC:g} arcsec"']
        lines += [f'distance = "{t.distance[i] * 1e3:g} mm + {t.distance_ppm[i] * 1e6:g} ppm"']
    for i, support in enumerate(s.support):
        lines += [f"[supports.{support}]", f'kind = "{s.kind[i]}"', f'height = "{s.height_kind[i]}"']
        lines += [f'height_sigma = "{s.height_sigma[i] * 1e3:g} mm"']
        lines += [f'centring_sigma = "{s.centring_sigma[i] * 1e3:g} mm"']
    for i, target in enumerate(g.target):
        lines += [f"[targets.{target}]", f'constant = "{g.constant[i] * 1e3:g} mm"']
    return "\n".join(lines) + "\n"


def _length(metres: float) -> str:
    return "" if np.isnan(metres) else f"{metres:.4f}"


def _table(path: Path, rows: list[dict[str, Any]]) -> None:
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, list(rows[0]), lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)
