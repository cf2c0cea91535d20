"""Is the air's part in the distances taken out already? It is asked for, and never taken out twice."""

from __future__ import annotations

import numpy as np

from hubtack.adjust.ground.atmosphere import NOT_APPLIED, reference_refractivity, velocity_factors
from hubtack.adjust.ground.network import Network
from hubtack.adjust.trouble import Trouble
from hubtack.io.faults import FaultList, listed
from hubtack.io.readers.cells import Cells
from hubtack.io.readers.jobfile import JobFile

FAR_FROM_STANDARD = 4500.0  # Pa: no weather is so far from the standard atmosphere (from memory)


def check_air(
    job: JobFile, network: Network, setups: Cells | None, faults: FaultList, remarks: list[Trouble]
) -> None:
    """Faults where it can't be told whether distances are corrected, or what with; remarks of what was assumed."""
    s, sights, instruments = network.setups, network.sights, network.instruments
    if not len(sights) or (s.device[sights.start] < 0).any() or not s.instrument[sights.start].all():
        return
    read = ~np.isnan(s.temperature) | ~np.isnan(s.pressure)
    ranged = (sights.start >= 0) & (sights.end >= 0) & ~(np.isnan(sights.slope) & np.isnan(sights.horizontal))
    start, end = sights.start[ranged], sights.end[ranged]
    device = s.device[start]
    weather = np.zeros(len(instruments), dtype=bool)
    weather[device[read[start] | read[end]]] = True
    for i, (name, spec) in enumerate(job.instruments.items()):
        if spec is None or i >= len(instruments):
            continue
        path = ("instruments", name)
        if not spec.atmosphere and weather[i]:
            line, column = job.places.table(path)
            found = f"The air is in setups.csv, and [instruments.{name}] does not say if distances are corrected for it"
            wanted = (
                'Add atmosphere = "applied" if the instrument had them set, else atmosphere = "not applied".'
            )
            faults.add("job.toml", line, column, "JOB160", found, wanted)
        elif spec.atmosphere == NOT_APPLIED:
            missing = [k for k in ("wavelength", "reference_air") if getattr(spec, k) is None]
            if missing:
                line, column = job.places.table(path)
                found = f"[instruments.{name}] lacks {' and '.join(missing)}, without which its distances can't be corrected"
                faults.add("job.toml", line, column, "JOB161", found, "See its handbook; both stand there.")
    raw = instruments.atmosphere[device] == NOT_APPLIED
    ready = raw & np.isfinite(reference_refractivity(network)[device])
    lost = np.unique(start[ready & np.isnan(velocity_factors(network, start, end))])
    if setups is not None:
        for row in lost.tolist():
            what = "temperature" if np.isnan(s.temperature[row]) else "pressure"
            found = f"Distances from {s.setup[row]} are to be corrected, and nobody read the {what}"
            setups.fault(row, what, "TAB254", found, "Give it here, or at the targets.")
    used = np.unique(np.concatenate([start[ready], end[ready]]))
    _remark(network, used[read[used]], remarks)


def _remark(
    network: Network, used: np.ndarray[tuple[int], np.dtype[np.int64]], remarks: list[Trouble]
) -> None:
    s, marks = network.setups, network.marks
    dry = used[np.isnan(s.humidity[used])]
    if len(dry):
        names = tuple(str(n) for n in s.setup[dry])
        text = f"No humidity at {listed(names)}: 60 % is taken for the velocity correction."
        remarks.append(Trouble("REM531", text, "At 30 °C all of it is 1.7 ppm.", setups=names))
    height = marks.height[s.mark[used]]
    standard = 101_325.0 * (1.0 - 2.25577e-5 * np.nan_to_num(height)) ** 5.2559
    odd = used[~np.isnan(height) & (np.abs(s.pressure[used] - standard) > FAR_FROM_STANDARD)]
    if len(odd):
        names = tuple(str(n) for n in s.setup[odd])
        text = f"The pressure at {listed(names)} is not that of its height: reduced to sea level, perhaps?"
        remarks.append(
            Trouble("REM532", text, "The correction needs the pressure at the place.", setups=names)
        )
