"""report.pdf, by the real browser: complete, on the right paper, the same bytes again; and what is said where it fails."""

from __future__ import annotations

import os
import shutil
import stat
import sys
import time
from pathlib import Path

import pypdf
import pytest
from click.testing import CliRunner

from hubtack.io.cli import cli
from hubtack.io.writers.browser import NotPrinted, find_browser, print_pdf
from hubtack.io.writers.pdf import renumbered, sized, undated

SAMPLES = Path(__file__).parents[2] / "sample_networks"
with_browser = pytest.mark.skipif(find_browser() is None, reason="no chromium: `apt-get install -y chromium`")
posix = pytest.mark.skipif(sys.platform == "win32", reason="a script as a browser")


@pytest.fixture
def job(tmp_path: Path) -> Path:
    return Path(
        shutil.copytree(SAMPLES / "taped-height", tmp_path / "a job", ignore=shutil.ignore_patterns("out"))
    )


def run(*words: object):
    return CliRunner().invoke(cli, ["adjust", *map(str, words)], catch_exceptions=False)


@with_browser
def test_the_report_is_printed_whole_and_again_the_same(job: Path) -> None:
    assert run(job, "--write", "pdf").exit_code == 1
    out = job / "out"
    first = (out / "report.pdf").read_bytes()
    reader = pypdf.PdfReader(out / "report.pdf")
    pages = [" ".join(page.extract_text().split()) for page in reader.pages]
    assert "FLAGGED: adjusted, but" in pages[0]
    text = " ".join(pages)
    for line in (out / "residuals.csv").read_text(encoding="utf-8").splitlines()[1:]:
        if ".effect." not in line and ".control." not in line:
            assert line.split(",")[0] in text
    assert "Responsible licensed person" in pages[-1]
    # a table that goes on over pages has its headings on each: every page with many readings names the redundancy
    long = [page for page in pages if sum(page.count(f".{kind}") for kind in ("direction", "zenith")) > 20]
    assert len(long) > 1
    assert all("redundancy" in page for page in long)
    width, height = (float(v) for v in reader.pages[0].mediabox[2:])
    assert (round(width), round(height)) in (
        (595, 842),
        (594, 842),
        (595, 841),
        (596, 842),
    )  # A4 in points, cut to whole ones
    assert not any(name in (reader.metadata or {}) for name in ("/CreationDate", "/ModDate"))
    assert sorted(p.name for p in out.iterdir() if p.name.startswith(".")) == []
    time.sleep(1.1)  # a date of its making would differ
    run(job, "--write", "pdf")
    assert (out / "report.pdf").read_bytes() == first


@with_browser
def test_feet_are_printed_on_letter(job: Path) -> None:
    text = (job / "job.toml").read_text(encoding="utf-8")
    assert 'length = "m"' in text
    (job / "job.toml").write_text(text.replace('length = "m"', 'length = "ft"'), encoding="utf-8")
    run(job, "--write", "pdf")
    box = pypdf.PdfReader(job / "out" / "report.pdf").pages[0].mediabox
    assert [round(float(v)) for v in box[2:]] == [612, 792]


def test_without_a_browser_the_cure_is_told_and_nothing_written(
    job: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PATH", str(job))
    result = run(job, "--write", "pdf")
    assert result.exit_code == 2
    assert "RUN428" in result.stderr
    assert "apt-get install chromium" in result.stderr
    assert not (job / "out").exists()


def script(folder: Path, body: str) -> str:
    path = folder / "chromium"
    path.write_text(f"#!/bin/sh\n{body}\n", encoding="utf-8")
    path.chmod(path.stat().st_mode | stat.S_IXUSR)
    return str(path)


@posix
def test_a_browser_that_fails_leaves_the_last_result(
    job: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    run(job)
    before = {p.name: p.read_bytes() for p in (job / "out").iterdir()}
    (tmp_path / "bin").mkdir()
    script(tmp_path / "bin", "echo 'no display here' >&2; exit 7")
    monkeypatch.setenv("PATH", f"{tmp_path / 'bin'}{os.pathsep}{os.environ['PATH']}")
    result = run(job, "--write", "pdf")
    assert result.exit_code == 2
    assert "ended with 7 and wrote no PDF: no display here" in result.stderr
    assert {p.name: p.read_bytes() for p in (job / "out").iterdir()} == before


@posix
def test_one_that_hangs_is_ended_with_its_children(tmp_path: Path) -> None:
    browser = script(tmp_path, f"sleep 600 & echo $! > {tmp_path}/child; wait")
    (tmp_path / "a.html").write_text("<p>", encoding="utf-8")
    with pytest.raises(NotPrinted, match="not done after 1 s"):
        print_pdf(browser, tmp_path / "a.html", tmp_path / "a.pdf", patience=1.0)
    child = int((tmp_path / "child").read_text())
    for _ in range(100):
        if not _alive(child):
            return
        time.sleep(0.05)
    raise AssertionError("the child still runs")


def _alive(process: int) -> bool:
    try:
        state = Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()[0]
    except OSError:
        return False
    return state != "Z"


@with_browser
def test_a_page_reaches_nothing(tmp_path: Path) -> None:
    """A picture from a server of this machine is asked for by name: the name resolves to nothing."""
    import http.server
    import threading

    asked: list[str] = []

    class Handler(http.server.BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            asked.append(self.path)
            self.send_error(404)

        def log_message(self, *words: object) -> None:
            pass

    server = http.server.HTTPServer(("127.0.0.1", 0), Handler)
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    try:
        for host in ("localhost", "127.0.0.1"):
            (tmp_path / "a.html").write_text(
                f'<img src="http://{host}:{server.server_port}/{host}">', encoding="utf-8"
            )
            print_pdf(str(find_browser()), tmp_path / "a.html", tmp_path / "a.pdf")
    finally:
        server.shutdown()
        server.server_close()
    assert asked == []


def test_dates_go_and_nothing_moves() -> None:
    pdf = b"%PDF-1.4 /Title (x)\n/CreationDate (D:20260102030405+00'00')\n/ModDate (D:20260102030405+00'00')>> rest"
    bare = undated(pdf)
    assert len(bare) == len(pdf)
    assert b"2026" not in bare
    assert bare.endswith(b">> rest")


def test_the_policy_of_the_page_knows_the_rule_of_its_paper() -> None:
    page = sized('<meta content="default-src; style-src &#39;sha256-x&#39;;"><head></head>', "A4")
    assert "<style>@page{size:A4}</style></head>" in page
    assert "style-src 'sha256-" in page
    assert "&#39;sha256-x&#39;" in page


def test_numbers_that_the_browser_skips_do_not_show() -> None:
    """Seen once on a busy machine: the same page, its elements named one number further on."""
    one = b"/ID (node00000111) /ID (node00000112) /Names [(node00000111) 5 0 R (node00000112) 6 0 R] node00000111"
    other = one.replace(b"(node00000112)", b"(node00000113)").replace(b"(node00000111)", b"(node00000112)")
    assert renumbered(one) == renumbered(other)
    assert len(renumbered(one)) == len(one)
    assert renumbered(one).count(b"(node00000001)") == 2
    assert renumbered(one).endswith(b" node00000111")  # only names are touched
