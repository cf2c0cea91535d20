"""report.pdf: report.html as a browser prints it, on A4, or on Letter for a job in feet; the same bytes for the same browser."""

from __future__ import annotations

import re
from base64 import b64encode
from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING

from .atomic import Refused
from .browser import NotPrinted, find_browser, print_pdf

if TYPE_CHECKING:
    from hubtack.adjust.results import Adjustment
    from hubtack.io.job import Job

_DATED = re.compile(rb"/(?:CreationDate|ModDate) ?\(D:[^)]*\)")  # the only thing in it that a clock decides
_NODE = re.compile(rb"\(node(\d{8})\)")  # names of its elements, which a race in the browser numbers


def write(adjustment: Adjustment, job: Job, folder: Path) -> None:
    """Print the report.html of `folder` into report.pdf. Raises Refused where there is no browser, or where it fails."""
    browser = find_browser()
    if browser is None:
        raise missing()
    page, pdf = folder / ".to-print.html", folder / "report.pdf"
    paper = "A4" if job.units.length == "m" else "letter"
    page.write_text(sized((folder / "report.html").read_text(encoding="utf-8"), paper), encoding="utf-8")
    try:
        print_pdf(browser, page, pdf)
    except NotPrinted as failed:
        wanted = "Print report.html from any browser, and leave pdf out of --write."
        raise Refused("RUN428", f"{failed}.", wanted) from failed
    finally:
        page.unlink()
    pdf.write_bytes(renumbered(undated(pdf.read_bytes())))


def missing() -> Refused:
    """What is said where there is no browser."""
    wanted = "Install chromium (Debian: apt-get install chromium), or print report.html from any browser."
    return Refused("RUN428", "pdf is printed by Chromium, and there is none on PATH.", wanted)


def sized(page: str, paper: str) -> str:
    """The page with the size of its paper; the page's own policy is told that this rule is ours."""
    rule = f"@page{{size:{paper}}}"
    digest = b64encode(sha256(rule.encode()).digest()).decode("ascii")
    page = page.replace("style-src ", f"style-src 'sha256-{digest}' ", 1)
    return page.replace("</head>", f"<style>{rule}</style></head>", 1)


def undated(pdf: bytes) -> bytes:
    """Without the dates of its making: blanks in their place, so that nothing else moves."""
    return _DATED.sub(lambda match: b" " * len(match[0]), pdf)


def renumbered(pdf: bytes) -> bytes:
    """Elements named 1, 2, 3, … in the order of the browser's own numbers, of which it sometimes leaves one out."""
    names = {name: b"(node%08d)" % k for k, name in enumerate(sorted(set(_NODE.findall(pdf))), 1)}
    return _NODE.sub(lambda match: names[match[1]], pdf)
