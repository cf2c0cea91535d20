"""[[together]]: constants whose prior errors are correlated, checked and turned into rows of the network's tables."""

from __future__ import annotations

import numpy as np

from hubtack.adjust.ground.network import KnownTogether, Network
from hubtack.adjust.trouble import Trouble
from hubtack.io.faults import FaultList, Nearest, listed
from hubtack.io.readers.jobfile import JobFile

from ..units import quoted

SECTION = {
    "distance_zero": "instruments", "distance_scale": "instruments", "collimation": "instruments", "index": "instruments",
    "constant": "targets", "height_offset": "supports",
}  # fmt: skip
NAMES = {
    "distance_zero": "zero",
    "distance_scale": "scale",
}  # key of job.toml → name of the constant, where it differs


def read_together(job: JobFile, faults: FaultList) -> tuple[KnownTogether, ...]:
    """What job.toml and the files that it includes say of constants known together."""
    seen: dict[tuple[str, str], str] = {}
    out = []
    for keys, owner, number in job.together:
        place = ("together", number)
        rows = [list(r) for r in keys.correlation]
        n = len(keys.constants)
        if [len(r) for r in rows] != list(range(1, n)):
            found = f"{n} constants need rows of {', '.join(map(str, range(1, n))) or 'no'} numbers below the diagonal"
            owner.fault(
                faults,
                (*place, "correlation"),
                "JOB132",
                found,
                "Two constants: [[0.5]]; three: [[0.5], [0.1, 0.2]].",
            )
            continue
        R = np.eye(n)
        for i, numbers in enumerate(rows, 1):
            R[i, :i] = R[:i, i] = numbers
        if np.abs(R).max() > 1.0 or np.linalg.eigvalsh(R)[0] < 1e-9:
            found = "No errors can be correlated like this: the matrix is not positive definite"
            owner.fault(
                faults, (*place, "correlation"), "JOB132", found, "Copy the numbers from the passport anew."
            )
            continue
        constants, kept = [], []
        for i, text in enumerate(keys.constants):
            known = _constant(job, owner, (*place, "constants", i), text, faults)
            if known is None:
                continue
            name, device, row, key = known
            if (device, key) in seen:
                found = f"{text} stands in two places, here and in {seen[device, key]}"
                owner.fault(faults, (*place, "constants", i), "JOB132", found, "Leave one of them.")
                continue
            seen[device, key] = owner.file
            constants.append((name, row))
            kept.append(i)
        if len(constants) > 1:
            out.append(KnownTogether(tuple(constants), R[np.ix_(kept, kept)]))
    return tuple(out)


def _constant(
    job: JobFile, owner: JobFile, place: tuple[str | int, ...], text: str, faults: FaultList
) -> tuple[str, str, int, str] | None:
    """`ts-a distance_zero` as name of the constant, device, its row, key; None with a fault."""
    device, _, key = text.rpartition(" ")
    device = device.strip()
    if key not in SECTION or not device:
        found = f"{quoted(text)} is not a device and one of its constants"
        near = Nearest(SECTION).find(key)
        wanted = (
            f'Is "{device} {near}" meant?' if near and device else f"The constants are {', '.join(SECTION)}."
        )
        owner.fault(faults, place, "JOB132", found, wanted)
        return None
    devices = getattr(job, SECTION[key])
    if device not in devices:
        found = f"There is no {quoted(device)} in [{SECTION[key]}]"
        owner.fault(
            faults, place, "JOB132", found, Nearest(devices).advice(device, f"Known are {listed(devices)}.")
        )
        return None
    own = any((SECTION[key], device, k) in job.overruled for k in (key, f"{key}_sigma"))
    if own and owner is not job:
        return None  # the job states this one itself: then its error is not that of the passport
    spec = devices[device]
    if spec is not None and getattr(spec, f"{key}_sigma") <= 0.0:
        found = f"{text} has no sigma, so its error is correlated with nothing"
        owner.fault(faults, place, "JOB132", found, f"Give {key}_sigma in [{SECTION[key]}.{device}].")
        return None
    return NAMES.get(key, key), device, list(devices).index(device), key


def constant_name(network: Network, name: str, row: int) -> str:
    """A constant as [[together]] writes it: `ts-a distance_zero`."""
    key = {v: k for k, v in NAMES.items()}.get(name, name)
    table = getattr(network, SECTION[key])
    return f"{getattr(table, SECTION[key][:-1])[row]} {key}"


def overruled(job: JobFile) -> list[Trouble]:
    """Which words of included files the job's own go before."""
    of_file: dict[str, list[str]] = {}
    for path, file in job.overruled.items():
        of_file.setdefault(file, []).append(f"{path[1]} {path[2]}")
    return [
        Trouble(
            "REM541",
            f"Stated otherwise before {file} was included, and so not taken from it: {listed(keys)}.",
            "Remove them where the included file is to hold.",
        )
        for file, keys in of_file.items()
    ]
