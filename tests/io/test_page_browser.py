"""The report page in a real browser: what a reader does with it, with and without its script, on paper and on a telephone."""

from __future__ import annotations

import csv
import io
import re
import tomllib
import unicodedata
from pathlib import Path

import numpy as np
import pytest

from hubtack.adjust import adjust
from hubtack.adjust.judged import judged
from hubtack.io.job import read_job
from hubtack.io.pages.explanation import explanations
from hubtack.io.pages.report import report_page
from hubtack.io.pages.report_residuals import residuals_grid
from hubtack.io.pages.verdict import headline

from .browser import browser, opened
from .made_up import levelling, made_up
from .test_report import NASTY, nasty

__all__ = ["browser"]
SAMPLES = Path(__file__).parents[2] / "sample_networks"


def sample(name):
    job = read_job(SAMPLES / name)
    return judged(adjust(job.network, job.settings)), job


@pytest.fixture(scope="module")
def shed():
    """The sample with a wrong height: flagged, with a finding."""
    return sample("taped-height")


@pytest.fixture(scope="module")
def files(tmp_path_factory, shed):
    """The page of the sample, and pages of networks made to be large, odd, or heights only."""
    folder = tmp_path_factory.mktemp("pages")
    networks = {"shed": shed, "large": made_up(160), "nasty": nasty(), "heights": levelling()}
    for name, network in networks.items():
        (folder / f"{name}.html").write_text(report_page(*network), encoding="utf-8")
    return {name: folder / f"{name}.html" for name in networks}


@pytest.fixture
def page(browser, files):
    with opened(browser, files["shed"]) as opened_page:
        yield opened_page
        assert opened_page.said == []


def cells(page, key, column):
    """The cells of a table's column that are to be seen."""
    script = """([key, c]) => [...document.querySelectorAll(`#g-${key} tbody tr`)]
        .filter((r) => r.offsetParent).map((r) => r.cells[c].innerText.trim())"""
    return page.evaluate(script, [key, column])


def heading(page, key, words):
    return page.locator(f"#g-{key} thead th", has_text=re.compile(words)).first


@pytest.mark.parametrize("name", ["shed", "large", "nasty", "heights"])
def test_page_opens_with_one_request_and_nothing_on_the_console(browser, files, name):
    with opened(browser, files[name]) as page:
        page.mouse.wheel(0, 5000)
        page.wait_for_timeout(50)
        assert page.said == []
        assert [a for a in page.asked if not a.startswith("data:")] == [files[name].as_uri()]
        assert page.locator("#live svg[role=application]").is_visible()
        assert page.locator(".verdict").is_visible()


def test_tables_sort_by_number_up_and_down_and_back(page):
    before = cells(page, "coordinates", 0)
    east = heading(page, "coordinates", "^east")
    number = page.evaluate("(h) => h.cellIndex", east.element_handle())
    east.locator("button").click()
    found = [float(c) for c in cells(page, "coordinates", number)]
    assert found == sorted(found)
    assert east.get_attribute("aria-sort") == "ascending"
    east.locator("button").press("Enter")  # a keyboard will do
    assert [float(c) for c in cells(page, "coordinates", number)] == sorted(found, reverse=True)
    assert east.get_attribute("aria-sort") == "descending"
    east.locator("button").click()
    assert cells(page, "coordinates", 0) == before
    assert east.get_attribute("aria-sort") == "none"


def test_standardized_residuals_sort_by_size(page, shed):
    heading(page, "residuals", "^w$").locator("button").click()
    shown = [abs(float(c)) for c in cells(page, "residuals", 2) if c]
    o = shed[0].observations
    w = np.sort(np.abs(o.standardized[~np.isin(o.kind, ("effect", "control", "constant"))]))[::-1]
    assert shown == pytest.approx(w[: len(shown)], abs=0.0051)


def test_angles_in_degrees_minutes_and_seconds_sort_as_angles(page):
    page.locator("#g-residuals input.find").fill("direction")
    observed = heading(page, "residuals", "^observed")
    number = page.evaluate("(h) => h.cellIndex", observed.element_handle())
    observed.locator("button").click()
    found = cells(page, "residuals", number)
    values = [int(d) + int(m) / 60 + float(s) / 3600 for d, m, s in (c.split("-") for c in found)]
    assert len(values) > 10
    assert values == sorted(values)


def test_tables_filter_by_words_and_by_flags(page, shed):
    grid = residuals_grid(*shed)
    page.locator("#g-residuals select").select_option("400")
    page.locator("#g-residuals input.find").fill("zenith a2")
    rows = zip(*grid.columns, strict=True)
    wanted = [r[0] for r in rows if all(w in " ".join(r).lower() for w in ("zenith", "a2"))]
    assert cells(page, "residuals", 0) == wanted
    page.locator("#g-residuals input.find").fill("")
    page.locator("#g-residuals input.only").check()
    assert len(cells(page, "residuals", 0)) == len(grid.flagged) > 0
    assert set(cells(page, "residuals", 1)) == {"✗ flagged"}


def test_what_is_filtered_is_what_is_downloaded_and_copied(page, shed):
    page.locator("#g-residuals input.find").fill("distance K1")
    with page.expect_download() as download:
        page.locator("#g-residuals button.csv").click()
    assert download.value.suggested_filename == "residuals.csv"
    rows = list(csv.reader(io.StringIO(Path(download.value.path()).read_text(encoding="utf-8"))))
    grid = residuals_grid(*shed)
    assert rows[0] == [str(h) for h in grid.headings]
    every = list(zip(*grid.columns, strict=True))
    assert [tuple(r) for r in rows[1:]] == [r for r in every if "distance" in r[0] and "K1" in r[3] + r[4]]
    page.context.grant_permissions(["clipboard-read", "clipboard-write"])
    page.locator("#g-residuals button.copy").click()
    page.locator("#g-residuals button.copy", has_text="Copied").wait_for()
    copied = page.evaluate("navigator.clipboard.readText()")
    assert [line.split("\t") for line in copied.splitlines()] == rows


def test_a_decision_is_copied_whole(page, shed):
    page.context.grant_permissions(["clipboard-read", "clipboard-write"])
    page.locator("#findings figure button.copy").first.click()
    page.locator("#findings button.copy", has_text="Copied").wait_for()
    (decision,) = tomllib.loads(page.evaluate("navigator.clipboard.readText()"))["decision"]
    assert decision["correct"] == "setup T07 height"


def ellipse_width(page):
    script = "() => document.querySelector('#live .m-ellipse').getAttribute('d').match(/A([\\d.]+) /)[1]"
    return float(page.evaluate(script))


def slide(page, value):
    page.locator("#enlarge").evaluate(
        "(s, v) => { s.value = v; s.dispatchEvent(new Event('input')); }", value
    )
    page.wait_for_timeout(60)


def test_slider_enlarges_ellipses_and_their_scale_bar_tells_by_how_much(page, shed):
    adjustment, _ = shed
    first = int(np.flatnonzero(adjustment.marks.semi_major > 0)[0])
    for value, factor in ((9, 1000.0), (11, 5000.0)):
        slide(page, value)
        assert page.locator("#live output").inner_text() == f"{factor:.0f} ×"
        words = page.locator("[data-bar=ellipses]").text_content()
        number, unit, _ = words.split()
        assert unit == "mm"
        bar = "() => document.querySelectorAll('#live svg[role=application] path.m-bar')"
        path = page.evaluate(f"{bar}[2].getAttribute('d')")
        length = float(re.match(r"M12 \d+h([\d.]+)", path)[1])
        semi_major = 1e3 * adjustment.marks.semi_major[first]  # mm
        assert ellipse_width(page) == pytest.approx(semi_major * length / float(number), rel=0.02)
    slide(page, 9)
    small = ellipse_width(page)
    slide(page, 12)
    assert ellipse_width(page) == pytest.approx(10.0 * small, rel=0.02)


def place_of(page, *names):
    """Where marks stand on the screen, from the drawn symbols' own boxes: their names stand beside them."""
    script = """([names]) => { const d = JSON.parse(document.getElementById('page-data').textContent).map;
        const box = document.querySelector('#live svg[role=application]').getBoundingClientRect();
        const k = (() => { const t = document.querySelector('[data-bar=distances]').textContent.split(' ');
            const p = document.querySelectorAll('#live svg[role=application] path.m-bar')[0].getAttribute('d');
            return +p.match(/h([\\d.]+)/)[1] / +t[0] * d.lengthPerMetre; })();
        const xs = d.x, ys = d.y;
        const mx = (Math.max(...xs) + Math.min(...xs)) / 2, my = (Math.max(...ys) + Math.min(...ys)) / 2;
        return names.map((n) => { const i = d.names.indexOf(n);
            return [box.left + box.width / 2 + (xs[i] - mx) * k, box.top + box.height / 2 - (ys[i] - my) * k]; }); }"""
    return page.evaluate(script, [names])


def test_a_sight_on_the_map_leads_to_its_residuals_and_a_row_back_to_the_map(page, shed):
    page.locator("#live").scroll_into_view_if_needed()
    (x1, y1), (x2, y2) = place_of(page, "A2", "A4")
    page.mouse.move(x1 + 0.4 * (x2 - x1), y1 + 0.4 * (y2 - y1))
    assert page.locator("#live .told").inner_text().startswith("A2 – A4: ")
    page.mouse.click(x1 + 0.4 * (x2 - x1), y1 + 0.4 * (y2 - y1))
    grid = residuals_grid(*shed)
    ends = [{c.split()[0] for c in pair} for pair in zip(grid.columns[3], grid.columns[4], strict=True)]
    wanted = [i for i, pair in zip(grid.columns[0], ends, strict=True) if pair == {"A2", "A4"}]
    assert cells(page, "residuals", 0) == wanted
    page.wait_for_function("() => document.querySelector('#residuals').getBoundingClientRect().top < 500")
    assert page.url.endswith("#residuals")
    assert page.locator("#g-residuals tr.chosen").count() == 1
    chip = page.locator("#g-residuals button.chip")
    assert chip.inner_text() == "A2 – A4 ✕"
    chip.click()
    row = page.locator("#g-residuals tbody tr", has_text="1.direction").first
    row.locator("button.place").click()
    page.wait_for_function("() => Math.abs(document.querySelector('#map').getBoundingClientRect().top) < 300")
    assert page.locator("#live .m-chosen").count() == 1
    mark = residuals_grid(*shed).columns
    ends = [mark[c][0].split()[0] for c in (3, 4)]
    assert page.locator("#live .told b").inner_text() in (" – ".join(ends), " – ".join(reversed(ends)))


def test_a_reading_unfolds_into_what_explains_it(page, shed):
    a, job = shed
    row = page.locator("#g-residuals tbody tr", has_text="1.direction").first
    row.locator("button.unfold").click()
    page.locator("#g-residuals tr.unfolded").wait_for()
    words = page.locator("#g-residuals tr.unfolded").inner_text()
    i = int(np.flatnonzero(a.observations.id == "1.direction")[0])
    (made,) = explanations(a, job, [i])
    for section in made.sections:
        assert section.title in words
        for told in section.rows:
            assert all(w in words for w in told.words)
    row.locator("button.unfold").press("Enter")
    assert page.locator("#g-residuals tr.unfolded").count() == 0
    page.locator("#residuals details summary").first.click()
    assert page.locator("#residuals details table").first.is_visible()


def test_a_mark_tells_its_numbers_to_pointer_and_keyboard(page, shed):
    page.locator("#live").scroll_into_view_if_needed()
    ((x, y),) = place_of(page, "A4")
    page.mouse.move(x + 2, y + 2)
    words = page.locator("#live .told").inner_text()
    assert words.startswith("A4: ")
    m = shed[0].marks
    assert f"north [m] {m.north[list(m.mark).index('A4')]:.5f}" in words
    page.mouse.move(5, 5)
    page.locator("#live svg[role=application]").focus()
    for _ in range(2):
        page.keyboard.press("n")
    assert page.locator("#live .told b").inner_text() == "K2"
    page.keyboard.press("Enter")
    assert page.url.endswith("#coordinates")
    assert page.locator("#g-coordinates tr.chosen th").inner_text().strip() == "K2"


def test_map_moves_zooms_and_shows_all_again(page):
    page.locator("#live").scroll_into_view_if_needed()
    mark = "() => { const b = document.querySelector('#live .m-held').getBoundingClientRect(); return [b.x, b.y, b.width]; }"
    before = page.evaluate(mark)
    ((x, y),) = place_of(page, "A3")
    page.mouse.move(x + 40, y + 25)
    page.mouse.down()
    page.mouse.move(x + 100, y + 55, steps=4)
    page.mouse.up()
    page.wait_for_timeout(60)
    after = page.evaluate(mark)
    assert (after[0] - before[0], after[1] - before[1]) == pytest.approx((60, 30), abs=1.5)
    page.locator("#live button", has_text="+").click()
    page.wait_for_timeout(60)
    assert page.evaluate(mark)[2] > 1.3 * before[2]  # K1 and K2 stand further apart
    page.locator("#live button", has_text="All").click()
    assert page.evaluate(mark) == pytest.approx(before, abs=0.5)


def test_layers_go_off_and_on(page):
    for layer, drawn in (
        ("sights", ".m-sight"),
        ("ellipses", ".m-ellipse"),
        ("names", "text.name"),
        ("setups", ".s-stand"),
    ):
        box, shapes = (
            page.locator(f"[data-layer={layer}]"),
            page.locator(f"#live svg.picture {drawn}"),
        )
        assert shapes.count() > 0
        box.uncheck()
        assert shapes.count() == 0
        box.check()
        assert shapes.count() > 0


@pytest.mark.parametrize("name", ["shed", "large", "nasty"])
def test_names_on_the_map_cover_no_other_name(browser, files, name):
    with opened(browser, files[name]) as page:
        page.locator("#live").scroll_into_view_if_needed()
        boxes = page.evaluate(
            """() => [...document.querySelectorAll('#live text.name')].map((t) => t.getBBox())
                .map((b) => [b.x, b.y + 2, b.x + b.width, b.y + b.height - 3])"""
        )
        assert len(boxes) > 5
        overlaps = [
            (a, b)
            for k, a in enumerate(boxes)
            for b in boxes[k + 1 :]
            if a[0] < b[2] - 1 and b[0] < a[2] - 1 and a[1] < b[3] - 1 and b[1] < a[3] - 1
        ]
        assert not overlaps


def test_large_tables_are_paged_from_data(browser, files):
    with opened(browser, files["large"]) as page:
        grid = residuals_grid(*made_up(160))
        assert grid.count > 700
        assert cells(page, "residuals", 0) == grid.columns[0][:25]
        page.locator("#g-residuals button[aria-label='Rows after']").click()
        assert cells(page, "residuals", 0) == grid.columns[0][25:50]
        page.locator("#g-residuals input.only").check()
        assert cells(page, "residuals", 0) == [grid.columns[0][i] for i in sorted(grid.flagged)]
        assert page.said == []


def test_words_of_users_are_words_in_the_browser_too(browser, files):
    with opened(browser, files["nasty"]) as page:
        page.on("dialog", lambda dialog: page.said.append(dialog.message))
        page.locator("#g-coordinates input.find").fill("alert")
        found = cells(page, "coordinates", 0)
        assert found == [n for n in NASTY if "alert" in n]
        heading(page, "coordinates", "^mark").locator("button").click()
        assert page.locator("#live img, main img").count() == 0
        assert page.said == []


def test_page_stands_without_its_script(browser, files):
    with opened(browser, files["shed"], java_script_enabled=False) as page:
        assert page.locator("#still-map svg").is_visible()
        assert not page.locator("#live").is_visible()
        for section in ("verdict", "findings", "coordinates", "residuals", "signatures"):
            assert page.locator(f"#{section}").is_visible()
        assert page.locator("#g-residuals tbody tr").last.is_visible()
        assert page.locator("button").count() == 0


def words_on(pdf_page):
    return " ".join(unicodedata.normalize("NFKC", pdf_page.extract_text()).split())  # ﬁ is f and i


def test_paper_has_the_verdict_on_page_one_and_every_row(browser, files, shed, tmp_path):
    from pypdf import PdfReader

    with opened(browser, files["shed"]) as page:
        # a filter on the screen is no reason to sign less
        page.locator("#g-residuals input.find").fill("nothing has these words")
        for paper in ("Letter", "A4"):
            page.pdf(path=tmp_path / f"{paper}.pdf", format=paper)
    assert headline(shed[0])[1] in words_on(PdfReader(tmp_path / "Letter.pdf").pages[0])
    texts = [words_on(p) for p in PdfReader(tmp_path / "A4.pdf").pages]
    assert headline(shed[0])[1] in texts[0]
    whole = " ".join(texts)
    for name in residuals_grid(*shed).columns[0]:
        assert name in whole
    assert "standardized" in whole
    assert "Responsible licensed person" in texts[-1]
    assert "horizontal distance [m]" in whole  # headings, though they are buttons on a screen


@pytest.mark.parametrize("name", ["shed", "nasty", "heights"])
def test_no_sideways_scrolling_on_a_telephone(browser, files, name):
    with opened(
        browser, files[name], viewport={"width": 390, "height": 844}, is_mobile=True, has_touch=True
    ) as page:
        assert page.evaluate("() => document.documentElement.scrollWidth") <= 390
        assert page.said == []


LUMINANCE = """() => {
    const rgb = (c) => c.match(/[\\d.]+/g).map(Number);
    const part = (v) => (v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4);
    const light = (c) => { const [r, g, b] = rgb(c).map((v) => part(v / 255)); return 0.2126 * r + 0.7152 * g + 0.0722 * b; };
    const ground = (e) => {
        for (; e; e = e.parentElement) {
            const colour = getComputedStyle(e).backgroundColor;
            if (rgb(colour)[3] !== 0) return colour;
        }
    };
    const poor = [];
    for (const e of document.querySelectorAll('body *')) {
        const says = [...e.childNodes].some((n) => n.nodeType === 3 && n.textContent.trim());
        if (!e.offsetParent || !says || e.disabled) continue;
        const [a, b] = [light(getComputedStyle(e).color), light(ground(e))].sort((p, q) => q - p);
        const ratio = (a + 0.05) / (b + 0.05);
        if (ratio < 4.5) poor.push([e.tagName, e.className, e.textContent.slice(0, 30), ratio]);
    }
    return poor; }"""


@pytest.mark.parametrize("colours", ["light", "dark"])
def test_text_stands_out_from_its_ground(browser, files, colours):
    """Contrast of at least 4.5 : 1 (WCAG 2.2, 1.4.3), computed from what the browser shows."""
    with opened(browser, files["shed"], color_scheme=colours) as page:
        assert page.evaluate(LUMINANCE) == []


def test_everything_can_be_named_and_reached_by_key(page):
    """Every control has a name, every table headings with a scope, and what scrolls can be focused."""
    nameless = page.evaluate(
        """() => [...document.querySelectorAll('button, input, select, svg[tabindex]')].filter((e) =>
            !(e.hidden || e.getAttribute('aria-label') || e.textContent.trim() || e.closest('label'))).map((e) => e.outerHTML)"""
    )
    assert nameless == []
    loose = page.evaluate("() => [...document.querySelectorAll('th')].filter((h) => !h.scope).length")
    assert loose == 0
    assert page.evaluate("() => [...document.querySelectorAll('.wide')].every((w) => w.tabIndex === 0)")
    assert page.evaluate(
        "() => [...document.querySelectorAll('main svg[role=img]')].every((s) => s.querySelector('title'))"
    )
