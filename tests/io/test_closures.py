"""Closures as rows for the page: all of them told, what fails first, each beside its limit in the job's units."""

from __future__ import annotations

from pathlib import Path

from hubtack.adjust import adjust
from hubtack.adjust.checks.closures import closures
from hubtack.io.job import read_job
from hubtack.io.pages.closures import closures_section

SAMPLES = Path(__file__).parents[2] / "sample_networks"


def test_a_moved_control_mark_stands_first_with_its_limit() -> None:
    job = read_job(SAMPLES / "moved-control")
    a = adjust(job.network, job.settings)
    section = closures_section(a, job)
    found, _ = closures(job.network, job.settings)
    assert len(section.rows) == len(found)
    assert all(len(row.words) == len(section.headings) for row in section.rows)
    signs = [row.sign for row in section.rows]
    count = signs.count("flagged")
    assert count == sum(c.flagged for c in found) > 0
    assert signs[:count] == ["flagged"] * count
    by, limit = (float(section.rows[0].words[k].split()[0]) for k in (3, 5))
    assert abs(by) > limit
    for row, c in zip(section.rows[count:], (c for c in found if not c.flagged), strict=True):
        size, unit = row.words[3].split()
        scale = {"mm": 1e-3, "arcsec": 4.84813681109536e-6}[unit]
        assert abs(float(size) * scale - c.found) < 0.051 * scale
        assert row.words[2].startswith(f"{c.names[0]} – {c.names[1]}")


def test_more_than_a_page_bears_is_counted() -> None:
    job = read_job(SAMPLES / "free-stations")
    a = adjust(job.network, job.settings)
    assert len(closures_section(a, job, most=5).rows) == 5
    assert closures_section(a, job, most=5).more == len(closures_section(a, job, most=999).rows) - 5
