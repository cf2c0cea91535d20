"""hubtack in a notebook: a job in one call, its tables as data frames in the job's units, its pictures shown in the page.

    from hubtack.io.notebook import open_job
    day = open_job("sample_networks/braced-traverse")
    day                     # what `hubtack adjust` prints
    day.marks               # a pandas DataFrame; day.setups, day.readings, day.control, day.relative too
    day.map()               # the network, drawn

Nothing is written to a disk until `deliver` is called. For arrays in metres and radians take `day.adjustment`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

from hubtack.io.job import Job, read_job

if TYPE_CHECKING:
    import pandas as pd

    from hubtack.adjust.compare import Comparison
    from hubtack.adjust.plan import Planned
    from hubtack.adjust.planning.goals import Tolerance
    from hubtack.adjust.results import Adjustment
    from hubtack.io.writers.sheets import Sheet

__all__ = ["Day", "Epochs", "Picture", "Plan", "compare", "open_job", "open_plan"]


def open_job(path: Path | str) -> Day:
    """Read, adjust and judge a job. Raises Faults with every fault of the input, Undetermined where the geometry lacks."""
    return Day(read_job(path))


def open_plan(path: Path | str) -> Plan:
    """Read a plan and predict it. Raises as `open_job`."""
    return Plan(read_job(path))


def compare(first: Day, second: Day, datum: tuple[str, ...] | list[str] = (), alpha: float = 0.05) -> Epochs:
    """Compare two adjusted epochs on their common marks; see `hubtack.adjust.compare`."""
    from hubtack.adjust.compare import compare as compare_epochs

    if not datum and first.job.settings.datum_marks == second.job.settings.datum_marks:
        datum = first.job.settings.datum_marks
    c = compare_epochs(first.adjustment, second.adjustment, datum=tuple(datum), alpha=alpha)
    return Epochs(first, second, c, alpha)


@dataclass(frozen=True)
class Picture:
    """A picture that a notebook shows, and that can be saved. One of svg and png is given."""

    svg: str = ""
    png: bytes = b""

    def __repr__(self) -> str:
        return f"a picture ({'svg' if self.svg else 'png'})"

    def _repr_svg_(self) -> str | None:
        return self.svg or None

    def _repr_png_(self) -> bytes | None:
        return self.png or None

    def save(self, path: Path | str) -> None:
        """Write the picture to a file ending in .svg or .png, whichever it is. Raises ValueError for the other."""
        path, kind = Path(path), ".svg" if self.svg else ".png"
        if path.suffix.lower() != kind:
            raise ValueError(f"this picture is saved as {kind}, found {path.name!r}")
        path.write_bytes(self.svg.encode() if self.svg else self.png)


class _Told:
    """What a notebook shows of itself: plain lines, as on the terminal."""

    def summary(self) -> str:
        raise NotImplementedError

    def __repr__(self) -> str:
        return self.summary().rstrip("\n")


class Day(_Told):
    """One adjusted job."""

    def __init__(self, job: Job) -> None:
        self.job = job

    @cached_property
    def adjustment(self) -> Adjustment:
        """All tables in metres and radians, with findings, sigmas found and the audit of heights."""
        from hubtack.adjust import adjust
        from hubtack.adjust.judged import judged
        from hubtack.io.findings import written_in

        return judged(adjust(self.job.network, self.job.settings), written_in(self.job.units))

    def summary(self) -> str:
        """What `hubtack adjust` prints."""
        from hubtack.io.pages.summary import summary
        from hubtack.io.pages.terminal import as_text

        return as_text(self.job.name, summary(self.adjustment, self.job, path=str(self.job.folder)))

    # -- tables, in the job's units --

    @cached_property
    def marks(self) -> pd.DataFrame:
        """Coordinates, sigmas and ellipses, one row a mark."""
        from hubtack.io.writers import coordinates

        return _frame(coordinates.sheet(self.adjustment, self.job))

    @cached_property
    def readings(self) -> pd.DataFrame:
        """Every reading with its residual and test, as residuals.csv."""
        from hubtack.io.writers import residuals

        return _frame(residuals.sheet(self.adjustment, self.job))

    @cached_property
    def setups(self) -> pd.DataFrame:
        """Every setup with the centring and height error that the network finds in it."""
        from hubtack.io.writers import setups

        return _frame(setups.sheet(self.adjustment, self.job))

    @cached_property
    def findings(self) -> list[str]:
        """The findings as sentences."""
        from hubtack.io.findings import sentence

        return [sentence(f, self.job) for f in self.adjustment.findings]

    # -- pictures --

    def map(self) -> Picture:
        """The network with its ellipses."""
        from hubtack.io.pictures.netmap import network_drawing
        from hubtack.io.pictures.svgmap import svg_file

        return Picture(
            svg=svg_file(network_drawing(self.adjustment, self.job), self.job.name, "map of the network")
        )

    def heights(self) -> Picture:
        """The height error of every setup over what was declared."""
        from hubtack.io.pictures.heights_figure import draw

        audit = self.adjustment.audit
        if audit is None:
            raise ValueError("this job has no heights to draw")
        return _drawn(lambda path: draw(self.adjustment, audit, self.job, path))

    # -- the same job with something else --

    def independent(self) -> Day:
        """The same readings by the textbook rule: setup errors as noise of every reading."""
        return Day(replace(self.job, settings=replace(self.job.settings, correlation="independent")))

    def with_height(self, setup: str, height: float) -> Day:
        """The same job with another height of one setup, m. The files stay as they are; a decision would record it."""
        setups = self.job.network.setups
        row = [str(n) for n in setups.setup].index(setup)
        heights = setups.height.copy()
        heights[row] = height
        network = replace(self.job.network, setups=setups.replace(height=heights))
        return Day(replace(self.job, network=network))

    def deliver(self, folder: Path | str, write: str = "") -> list[str]:
        """Write the report and all tables into a folder, the whole of it or nothing; `write` as --write. Names of the files."""
        from hubtack.io.writers import write_all
        from hubtack.io.writers.atomic import check_out
        from hubtack.io.writers.deliverables import check, chosen, named

        wanted = chosen((*self.job.write, *named(write)))
        check(wanted, self.job)
        check_out(Path(folder), self.job.folder, False)
        return list(write_all(self.adjustment, self.job, Path(folder), wanted))


class Plan(_Told):
    """A network that is not observed yet."""

    def __init__(self, job: Job) -> None:
        self.job = job

    @cached_property
    def _planned(self) -> Planned:
        from hubtack.adjust.plan import fill

        return fill(self.job.network, self.job.settings)

    @cached_property
    def _base(self) -> Adjustment:
        from hubtack.adjust.planning.changes import predicted

        return predicted(self._planned, self.job.settings)

    @cached_property
    def tolerance(self) -> Tolerance:
        """[tolerance] of job.toml."""
        from hubtack.adjust.planning.goals import Tolerance

        return Tolerance(**{k: v for k, v in self.job.goals.get("tolerance", {}).items() if v is not None})

    @cached_property
    def adjustment(self) -> Adjustment:
        """The prediction in metres and radians; NaN where only readings could tell."""
        from hubtack.adjust.plan import blank

        return blank(self._base)

    @cached_property
    def _worst(self) -> int:
        from hubtack.adjust.planning.goals import figures

        f = figures(self._base, self.tolerance)
        return f.position_mark if f.position_mark >= 0 else f.height_mark

    def summary(self) -> str:
        """What `hubtack plan --no-changes` prints."""
        from hubtack.io.pages.plan_report import plan_sections
        from hubtack.io.pages.terminal import as_text

        sections = plan_sections(self.adjustment, self.job, self.tolerance, self._budget(), None, [])
        return as_text(f"{self.job.name}: plan", sections)

    def _budget(self) -> Any:
        from hubtack.adjust.planning.budget import budget

        return (
            budget(self._base.solved, self._worst)
            if self._base.solved is not None and self._worst >= 0
            else None
        )

    @cached_property
    def marks(self) -> pd.DataFrame:
        """Predicted sigmas and ellipses, one row a mark."""
        from hubtack.io.writers import coordinates

        return _frame(coordinates.sheet(self.adjustment, self.job))

    @cached_property
    def changes(self) -> pd.DataFrame:
        """Single changes, most helpful first: what each gives and what it costs in minutes."""
        import pandas as pd

        from hubtack.adjust.planning.changes import changes
        from hubtack.io.catalogue import choices_for
        from hubtack.io.pages.plan_choices import change_words

        _, found = changes(
            self._planned, self.job.settings, self.tolerance, choices_for(self.job, with_catalogue=False)
        )
        small, unit = self.job.units.small_length_of, self.job.units.small_length_name
        rows = [
            {
                "change": change_words(c),
                f"worst position [{unit}]": round(small(c.figures.position), 1),
                f"worst height ± [{unit}]": round(small(c.figures.height), 1),
                "unchecked marks": c.figures.unchecked,
                "meets": c.meets,
                "minutes": round(c.minutes),
            }
            for c in found
        ]
        return pd.DataFrame(rows)

    @cached_property
    def _equipment(self) -> Any:
        from hubtack.adjust.planning.equipment import compare_equipment
        from hubtack.io.catalogue import choices_for

        return compare_equipment(
            self._planned, self.job.settings, self.tolerance, choices_for(self.job), self._base
        )

    @cached_property
    def supports(self) -> pd.DataFrame:
        """The same plan with each support under each role."""
        import pandas as pd

        from hubtack.io.pictures.budget_figure import label

        small, unit = self.job.units.small_length_of, self.job.units.small_length_name
        rows = [
            {
                "support": label(e),
                f"worst position [{unit}]": round(small(e.figures.position), 1),
                f"worst height ± [{unit}]": round(small(e.figures.height), 1),
                "unchecked marks": e.figures.unchecked,
            }
            for e in self._equipment
        ]
        return pd.DataFrame(rows)

    def budget(self) -> Picture:
        """Where the error of the worst mark comes from."""
        return self._drawn_budget([])

    def compare_supports(self) -> Picture:
        """The same, one bar a support."""
        return self._drawn_budget(self._equipment)

    def _drawn_budget(self, equipment: Any) -> Picture:
        from hubtack.io.pictures.budget_figure import draw

        return _drawn(lambda path: draw(self._base, self._budget(), equipment, self.job, path))

    def map(self) -> Picture:
        """The planned network with its predicted ellipses."""
        from hubtack.io.pictures.netmap import network_drawing
        from hubtack.io.pictures.svgmap import svg_file

        return Picture(svg=svg_file(network_drawing(self._base, self.job), self.job.name, "map of the plan"))


class Epochs(_Told):
    """Two epochs of the same marks."""

    def __init__(self, first: Day, second: Day, comparison: Comparison, alpha: float) -> None:
        self.first, self.second, self.comparison, self.alpha = first, second, comparison, alpha

    def summary(self) -> str:
        """What `hubtack compare` prints."""
        from hubtack.io.pages.compare_report import compare_sections
        from hubtack.io.pages.terminal import as_text

        a, b, job = self.first.adjustment, self.second.adjustment, self.first.job
        sections = compare_sections(self.comparison, a, b, job.units, self.alpha)
        return as_text(f"{job.name} → {self.second.job.name}: two epochs", sections)

    def map(self) -> Picture:
        """Every mark's difference over what the measurement alone would do."""
        from hubtack.io.pictures.epochs_figure import draw

        title = f"{self.first.job.name} → {self.second.job.name}"
        return _drawn(lambda path: draw(self.comparison, self.first.adjustment, self.first.job, title, path))

    @cached_property
    def marks(self) -> pd.DataFrame:
        """Differences, second minus first, their sigmas, and the smallest movement that would show."""
        import numpy as np
        import pandas as pd

        c, units = self.comparison, self.first.job.units
        small, unit = np.vectorize(units.small_length_of), units.small_length_name
        sigma = np.sqrt(np.maximum(np.diagonal(c.covariance, axis1=1, axis2=2), 0.0))
        moved = {m.mark for m in c.moved}
        columns: dict[str, Any] = {}
        for k, axis in enumerate(("east", "north", "height")):
            columns[f"{axis} [{unit}]"] = np.round(small(c.difference[:, k]), 2)
            columns[f"sigma {axis}"] = np.round(small(sigma[:, k]), 2)
        columns["smallest that would show"] = np.round(small(c.least), 1)
        columns["moved"] = [m in moved for m in c.marks]
        return pd.DataFrame(columns, index=pd.Index(c.marks, name="mark"))


def _frame(sheet: Sheet) -> pd.DataFrame:
    """A sheet as a data frame: numbers as numbers, the first column as index, units in brackets behind the headings."""
    import re

    import pandas as pd

    # what stands in parentheses says how a figure is to be read; the sheet's file and page keep it
    headings = [re.sub(r" \([^)]*\)", "", h.on_page) for h in sheet.headings]
    frame = pd.DataFrame(list(sheet.rows), columns=headings)
    for h, column in zip(sheet.headings, frame.columns, strict=True):
        if h.number:
            numbers = pd.to_numeric(frame[column].replace("", None), errors="coerce")
            if numbers.notna().sum() == (frame[column] != "").sum():
                frame[column] = numbers
    return frame.set_index(frame.columns[0])


def _drawn(draw: Callable[[Path], None]) -> Picture:
    """What a drawing function writes into a PNG file."""
    import tempfile

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "picture.png"
        draw(path)
        return Picture(png=path.read_bytes())
