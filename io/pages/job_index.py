"""One page over several jobs: a line each, with a link to its report. Needs neither network nor script."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING
from urllib.parse import quote

import numpy as np

from hubtack.io.about import version
from hubtack.io.pages.verdict import headline, readings_of
from hubtack.io.pages.words import Sign
from hubtack.io.writers.atomic import Refused
from hubtack.io.writers.sheets import one_dimensional_factor, plain

if TYPE_CHECKING:
    from hubtack.adjust.results import Adjustment
    from hubtack.io.job import Job

MARK = "hubtack index of jobs"  # by which a file is known as ours
_TEMPLATE = Path(__file__).parents[1] / "templates" / "index" / "page.html"


@dataclass(frozen=True)
class JobLine:
    """What several jobs keep of one: its path as given, its verdict, its figures as cells, where its report is, its faults."""

    path: str
    name: str
    sign: Sign
    words: str
    cells: tuple[str, ...] = ("",) * 7
    report: Path | None = None
    faults: tuple[str, ...] = ()


def job_line(path: str, a: Adjustment, job: Job, report: Path | None) -> JobLine:
    """The line of an adjusted job."""
    g, m, units = a.global_test, a.marks, job.units
    factor = (
        f"{plain(g.variance_factor, 2)} ({plain(g.lower, 2)} to {plain(g.upper, 2)})"
        if a.degrees_of_freedom > 0
        else "none"
    )
    plan = m.semi_major[np.isfinite(m.semi_major)]
    up = m.sigma_height[np.isfinite(m.sigma_height)] * one_dimensional_factor(a.settings.confidence)
    cells = (
        str(len(m)),
        str(len(readings_of(a))),
        factor,
        str(len(a.findings)),
        str(int(m.unchecked.sum())),
        *(units.show_small_length(float(v.max())) if len(v) else "" for v in (plan, up)),
    )
    return JobLine(path, job.name, *headline(a), cells, report)


def overall(lines: Sequence[JobLine]) -> tuple[Sign, str]:
    """The worst sign, and how many of each in a sentence."""
    n = len(lines)
    faulty = sum(bool(line.faults) for line in lines)
    flagged = sum(line.sign == "flagged" and not line.faults for line in lines)
    open_ = sum(line.sign == "watch" for line in lines)
    parts = [f"{faulty} not adjusted"] if faulty else []
    parts += [f"{flagged} flagged"] if flagged else []
    parts += [f"{open_} unchecked"] if open_ else []
    if not parts:
        return "ok", f"{'All ' if n > 1 else ''}{n} job{'s pass' if n > 1 else ' passes'}."
    sign: Sign = "flagged" if faulty or flagged else "watch"
    passing = n - faulty - flagged - open_
    return sign, f"Of {n} job{'s' if n > 1 else ''}: {', '.join(parts)}, {passing} passing."


def index_page(lines: Sequence[JobLine], place: Path) -> str:
    """The page as text; links are relative to its place, so that a folder can be moved or sent as a whole."""
    from jinja2 import Environment, StrictUndefined

    environment = Environment(
        autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    level, verdict = overall(lines)
    jobs = [vars(line) | {"link": _link(line.report, place)} for line in lines]
    return environment.from_string(_TEMPLATE.read_text(encoding="utf-8")).render(
        title=f"{len(lines)} job{'s' if len(lines) != 1 else ''}: network adjustment",
        mark=MARK,
        level=level,
        verdict=verdict,
        jobs=jobs,
        faulty=[j for j in jobs if j["faults"]],
        signs={"ok": "✓", "flagged": "✗", "watch": "!", "": ""},
        version=version(),
    )


def check_index(place: Path, force: bool) -> None:
    """Raise Refused where the page can't be written: no such folder, a folder of that name, or a file that is not ours."""
    if place.is_dir():
        raise Refused("RUN405", f'"{place}" is a folder.', "Name a file for the index, such as index.html.")
    if not place.resolve().parent.is_dir():
        raise Refused(
            "RUN405", f'"{place.parent}" does not exist.', "Make it first, or name another --index."
        )
    if place.exists() and not force and MARK not in _start(place):
        wanted = "Name another --index, or add --force to write over it."
        raise Refused("RUN403", f'"{place}" is a file that is no index of ours.', wanted)


def write_index(lines: Sequence[JobLine], place: Path) -> None:
    """Write the page, whole or not at all. Raises Refused."""
    text = index_page(lines, place).encode("utf-8", "replace")
    try:
        handle, name = tempfile.mkstemp(prefix=f".{place.name}.", dir=place.resolve().parent)
        try:
            with os.fdopen(handle, "wb") as file:
                file.write(text)
                file.flush()
                os.fsync(file.fileno())
            os.chmod(name, 0o666 & ~_umask())
            os.replace(name, place)
        except BaseException:
            os.unlink(name)
            raise
    except OSError as error:
        found = f'"{place}" can\'t be written: {(error.strerror or str(error)).lower()}.'
        raise Refused("RUN405", found, "The jobs themselves are written. Name another --index.") from error


def _umask() -> int:
    mask = os.umask(0o022)
    os.umask(mask)
    return mask


def _link(report: Path | None, place: Path) -> str:
    if report is None:
        return ""
    target, folder = report.resolve(), place.resolve().parent
    try:
        relative = Path(os.path.relpath(target, folder)).as_posix()
    except ValueError:  # another drive
        return target.as_uri()
    return quote(os.fsencode(relative))


def _start(place: Path) -> str:
    try:
        with place.open("rb") as file:
            return file.read(2000).decode("utf-8", "replace")
    except OSError:
        return ""
