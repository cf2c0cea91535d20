"""How long report.html takes to write and how large it is, for growing corridors; with a browser, how it opens and pans.

python -m tests.benchmarks.page [--marks 30 300 3000] [--browser]

Times are of the page alone, beside those of the adjustment. (A corridor of 3000 marks has 41 670 readings.)
"""

from __future__ import annotations

import argparse
import os
import shutil
import statistics
import tempfile
import time
from pathlib import Path

os.environ["OPENBLAS_NUM_THREADS"] = os.environ["MKL_NUM_THREADS"] = os.environ["OMP_NUM_THREADS"] = "1"

from tests.benchmarks.corridor import corridor
from tests.benchmarks.jobfolder import write_job

from hubtack.adjust import adjust
from hubtack.adjust.judged import judged
from hubtack.adjust.settings import Settings
from hubtack.adjust.simulate import simulate
from hubtack.io.job import read_job
from hubtack.io.pages.report import report_page
from hubtack.io.pages.verdict import readings_of


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--marks", type=int, nargs="*", default=[30, 300, 3000])
    parser.add_argument("--browser", action="store_true")
    arguments = parser.parse_args()
    for marks in arguments.marks:
        day = corridor(marks)
        with tempfile.TemporaryDirectory() as folder:
            name = f"Corridor of {marks} marks"
            write_job(simulate(day.network(), day.truth(), Settings(), 1), Path(folder), name)
            job = read_job(folder)
        start = time.process_time()
        a = judged(adjust(job.network, job.settings), heights=True)
        adjusted = time.process_time() - start
        times = []
        for _ in range(3):
            start = time.process_time()
            text = report_page(a, job)
            times.append(time.process_time() - start)
        readings = len(readings_of(a))
        print(
            f"{marks} marks, {readings} readings: page {min(times):.2f} s of processor, first {times[0]:.2f} s "
            f"(adjusted and judged {adjusted:.2f} s), {len(text.encode()) / 1e3:.0f} kB"
        )
        if arguments.browser:
            _browse(text)


def _browse(text: str) -> None:
    """Milliseconds until the page stands, and between frames while the map is dragged."""
    from playwright.sync_api import sync_playwright

    path = shutil.which("chromium") or shutil.which("chromium-browser")
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as playwright:
        (Path(folder) / "report.html").write_text(text, encoding="utf-8")
        browser = playwright.chromium.launch(executable_path=path, args=["--no-sandbox"])
        page = browser.new_page(viewport={"width": 1200, "height": 900})
        page.goto((Path(folder) / "report.html").as_uri())
        opened = page.evaluate("performance.getEntriesByType('navigation')[0].loadEventEnd")
        page.locator("#live").scroll_into_view_if_needed()
        box = page.locator("#live svg[role=application]").bounding_box()
        assert box
        page.evaluate(
            "() => { window.frames_ = []; let last = performance.now(); const f = (t) => {"
            " window.frames_.push(t - last); last = t; requestAnimationFrame(f); }; requestAnimationFrame(f); }"
        )
        x, y = box["x"] + box["width"] / 2, box["y"] + 60
        page.mouse.move(x, y)
        page.mouse.down()
        for k in range(60):
            page.mouse.move(x - 4 * k, y + k)
        page.mouse.up()
        frames = sorted(page.evaluate("window.frames_"))
        print(
            f"  opens in {opened:.0f} ms; dragging: {statistics.median(frames):.1f} ms a frame, "
            f"95 % below {frames[int(0.95 * len(frames))]:.1f} ms"
        )
        browser.close()


if __name__ == "__main__":
    main()
