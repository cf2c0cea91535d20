"""The supports of catalogue.toml, for plans and budgets: job.toml's own language, so its own reader reads them."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from hubtack.adjust.planning.variants import Choice
from hubtack.io.readers.ground import read_supports
from hubtack.io.readers.jobfile import unread_jobfile
from hubtack.io.readers.jobkeys import SupportKeys
from hubtack.io.readers.jobschema import schema_of

from .units import parse_length_quantity

if TYPE_CHECKING:
    from hubtack.adjust.planning.variants import Role

    from .job import Job


@dataclass(frozen=True)
class Catalogue:
    """The choices, and for each of them where its figures come from."""

    choices: tuple[Choice, ...]
    sources: dict[str, str]


@lru_cache(maxsize=1)
def catalogue() -> Catalogue:
    """All supports of the catalogue, in its order."""
    from pydantic_core import SchemaValidator

    with (Path(__file__).parent / "catalogue.toml").open("rb") as file:
        data: dict[str, Any] = tomllib.load(file)
    validator = SchemaValidator(schema_of(SupportKeys))
    job = unread_jobfile()
    job.supports = {n: SupportKeys(**validator.validate_python(k)) for n, k in data["supports"].items()}
    table = read_supports(job, [])
    choices = tuple(
        Choice(
            support=table.take([row]),
            height=parse_length_quantity(about["height"]),
            common_base=about.get("common_base", False),
            roles=tuple(about["roles"]),
            words=about["words"],
        )
        for row, about in ((list(data["supports"]).index(n), c) for n, c in data["choices"].items())
    )
    return Catalogue(choices, {n: c["source"] for n, c in data["choices"].items()})


def choices_for(job: Job, with_catalogue: bool = True) -> tuple[Choice, ...]:
    """The job's own supports, at the usual height of its targets on them, then those of the catalogue."""
    import numpy as np

    supports, setups = job.network.supports, job.network.setups
    own: list[Choice] = []
    for row in range(len(supports)):
        kind = str(supports.kind[row])
        if kind != "adhesive" and supports.centring_sigma[row] == 0.0 and supports.height_sigma[row] == 0.0:
            continue  # a free station's: nothing that a target could stand on is without error
        roles: tuple[Role, ...] = ("instrument", "target") if kind in ("tribrach", "bolt") else ("target",)
        heights = setups.height[(setups.support == row) & ~setups.instrument]
        heights = heights[~np.isnan(heights)]
        height = float(np.median(heights)) if len(heights) else float("nan")
        own.append(
            Choice(supports.take([row]), height, False, roles, f"{supports.support[row]} (of the job)")
        )
    return (*own, *catalogue().choices) if with_catalogue else tuple(own)
