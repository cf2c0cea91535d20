"""What is written only where asked for, by `--write` or `[deliver]`: names, files, and the libraries they lean on.

For a new one: a module with `write(adjustment, job, folder)` and its line in DELIVERABLES.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from hubtack.io.job import Job


@dataclass(frozen=True)
class Deliverable:
    """One name that `--write` takes. `libraries` are imported only by its module, `extra` installs them."""

    name: str
    files: tuple[str, ...]
    words: str
    extra: str = ""
    libraries: tuple[str, ...] = ()
    needs_crs: bool = False
    needs_browser: bool = False  # made from report.html, so after it
    not_on_earth: str = ""  # why it can't be had of the earth frame, in words

    @property
    def module(self) -> str:
        """The module that writes it."""
        name = "drawing_exchange" if self.name == "dxf" else self.name.replace("-", "_")
        return f"hubtack.io.writers.{name}"


_D = Deliverable
_DRAWN = (
    "residuals_normal",
    "residuals_distance",
    "residuals_zenith",
    "day",
    "decisions",
)  # besides network.png and heights.png
FIGURE_FILES = (
    "network.svg",
    "heights.svg",
    *(f"{name}.{kind}" for name in _DRAWN for kind in ("png", "svg")),
)
DELIVERABLES: dict[str, Deliverable] = {
    d.name: d
    for d in (
        _D("workbook", ("results.xlsx",), "summary, coordinates, residuals, setups", "xlsx", ("xlsxwriter",)),
        _D(
            "dxf",
            ("network.dxf",),
            "drawing: points at their height, names, ellipses, sights",
            "cad",
            ("ezdxf",),
        ),
        _D("geopackage", ("network.gpkg",), "map layers", "gis", ("pyogrio", "shapely")),
        _D("geojson", ("network.geojson",), "map in WGS 84", "gis", ("pyproj",), needs_crs=True),
        _D(
            "landxml",
            ("network.xml",),
            "adjusted marks and the raw survey",
            "landxml",
            ("lxml",),
            not_on_earth="the file holds a whole job, and this one would come back as a plane",
        ),
        _D("layout", ("layout_marks.csv", "layout_checks.csv"), "what a layout crew may start from"),
        _D(
            "scan-control",
            ("scan_control.csv", "scan_control_enh.csv"),
            "targets for registration",
            not_on_earth="a grid is not at the scale of a scan",
        ),
        _D("figures", FIGURE_FILES, "network, heights and residuals as PNG and SVG, one file each"),
        _D("pdf", ("report.pdf",), "report.html as Chromium prints it", needs_browser=True),
        _D("covariance", ("covariance.npz",), "full covariance of marks and targets, for programs"),
    )
}


def crs_of(job: Job) -> str:
    """The coordinate reference system that the job states, blank where it states none."""
    return str(getattr(job, "crs", "") or "")


def chosen(names: Iterable[str]) -> tuple[Deliverable, ...]:
    """The deliverables of these names, each once, in the order of the list."""
    wanted = set(names)
    return tuple(d for d in DELIVERABLES.values() if d.name in wanted)


def named(text: str) -> tuple[str, ...]:
    """`workbook, layout` as names. Raises atomic.Refused for one that is not on the list."""
    from hubtack.io.faults import nearest_name

    from .atomic import Refused

    names = tuple(word.strip() for word in text.split(",") if word.strip())
    for name in names:
        if name not in DELIVERABLES:
            near = nearest_name(name, DELIVERABLES)
            wanted = f'Is "{near}" meant?' if near else f"Known are {', '.join(DELIVERABLES)}."
            raise Refused("RUN424", f'There is no deliverable "{name}".', wanted)
    return names


def check(deliverables: Iterable[Deliverable], job: Job) -> None:
    """Raise atomic.Refused where one of them can't be written for this job on this machine."""
    from importlib.util import find_spec

    from .atomic import Refused

    for d in deliverables:
        missing = [name for name in d.libraries if find_spec(name) is None]
        if missing:
            found = f"{d.name} needs {' and '.join(missing)}, which {'are' if missing[1:] else 'is'} not installed."
            raise Refused("RUN421", found, f'Install with: pip install "hubtack[{d.extra}]"')
        if d.needs_browser:
            from .browser import find_browser
            from .pdf import missing as no_browser

            if find_browser() is None:
                raise no_browser()
        if d.not_on_earth and job.settings.frame == "earth":
            found = f"{d.name} can't be had of the earth frame: {d.not_on_earth}."
            raise Refused("RUN452", found, "Leave it out, or see hubtack explain RUN452.")
        if d.needs_crs and not crs_of(job):
            found = f"{d.name} needs a coordinate reference system, and the job states none."
            raise Refused("RUN422", found, "Its coordinates are local; geopackage takes them as they are.")
