"""The page in a real browser, headless: it fits, it zooms, it prints, it asks for nothing.

Chromium (Debian's package) is driven by playwright; where it isn't installed these are skipped, and
`FUSEWIRE_REQUIRE_BROWSER=1` turns that into failures.
"""

from __future__ import annotations

import io
import os
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from PIL import Image

from sequencer.report.page.page import page
from tests.sequencer.report.shipped_runs import run_of

pytestmark = pytest.mark.browser
ENDS = (
    "[...document.querySelectorAll('figure.zooms')]"
    ".map(f => [f.chart.scales.x.min, f.chart.scales.x.max])"
)


@pytest.fixture(scope="module")
def browser() -> Iterator[object]:
    program = shutil.which("chromium")
    if program is None:
        if os.environ.get("FUSEWIRE_REQUIRE_BROWSER") == "1":
            pytest.fail("chromium is required here and isn't installed")
        pytest.skip("chromium isn't installed")
    from playwright.sync_api import sync_playwright

    quiet = ["--no-sandbox", "--disable-gpu", "--disable-background-networking"]
    with sync_playwright() as driver:
        opened = driver.chromium.launch(executable_path=program, args=quiet)
        yield opened
        opened.close()


@pytest.fixture(scope="module")
def report(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("report") / "run.html"
    path.write_text(page(run_of("characterise-supercapacitor")), encoding="utf-8")
    return path


class Watched:
    """A page that is open, with all that went wrong on it and all that it asked for."""

    def __init__(self, browser: object, path: Path, width: int, before: str = "") -> None:
        self.complaints: list[str] = []
        self.shown = browser.new_page(viewport={"width": width, "height": 900})  # type: ignore[attr-defined]
        self.shown.on("pageerror", lambda error: self.complaints.append(str(error)))
        self.shown.on("console", lambda message: self.complaints.append(message.text))
        self.shown.on("request", lambda asked: self._asked(asked.url))
        if before:
            self.shown.add_init_script(before)
        self.shown.goto(path.as_uri())

    def _asked(self, address: str) -> None:
        if not address.startswith(("file:", "data:")):
            self.complaints.append(address)

    def picture(self) -> Image.Image:
        return Image.open(io.BytesIO(self.shown.screenshot(full_page=True))).convert("RGB")


@pytest.mark.parametrize("width", [360, 800, 1440])
def test_it_fits_every_width_without_an_error_or_a_request(
    browser: object, report: Path, width: int
) -> None:
    opened = Watched(browser, report, width)
    assert opened.shown.evaluate("document.documentElement.scrollWidth") == width
    canvases = opened.shown.evaluate(
        "[...document.querySelectorAll('figure canvas')].map(c => c.getBoundingClientRect().width)"
    )
    assert len(canvases) == 5
    assert all(200 < wide <= width for wide in canvases)
    assert opened.complaints == []


def test_a_plot_zooms_by_buttons_drag_and_double_click(browser: object, report: Path) -> None:
    opened = Watched(browser, report, 1000)
    figure = opened.shown.locator("figure.zooms").first
    whole = opened.shown.evaluate(ENDS)[0]
    width = whole[1] - whole[0]
    figure.locator("button[data-act=closer]").click()
    closer = opened.shown.evaluate(ENDS)[0]
    assert closer[1] - closer[0] == pytest.approx(width / 2)
    figure.locator("button[data-act=on]").click()
    assert opened.shown.evaluate(ENDS)[0][0] == pytest.approx(closer[0] + 0.4 * width / 2)
    figure.locator("button[data-act=whole]").click()
    assert opened.shown.evaluate(ENDS)[0] == pytest.approx(whole)
    over = figure.locator(".u-over").bounding_box()
    assert over is not None
    opened.shown.mouse.move(over["x"] + 0.2 * over["width"], over["y"] + 10)
    opened.shown.mouse.down()
    opened.shown.mouse.move(over["x"] + 0.4 * over["width"], over["y"] + 200, steps=5)
    opened.shown.mouse.up()
    dragged = opened.shown.evaluate(ENDS)[0]
    assert dragged == pytest.approx([whole[0] + 0.2 * width, whole[0] + 0.4 * width], rel=0.02)
    figure.locator(".u-over").dblclick()
    assert opened.shown.evaluate(ENDS)[0] == pytest.approx(whole)
    assert opened.complaints == []


def test_what_is_over_one_time_zooms_together_and_nothing_else(
    browser: object, report: Path
) -> None:
    opened = Watched(browser, report, 1000)
    before = opened.shown.evaluate(ENDS)
    opened.shown.locator("#smu-current button[data-act=closer]").click()
    after = opened.shown.evaluate(ENDS)
    assert after[:2] == before[:2]
    assert after[2] == after[3] == after[4] != before[2]


def test_the_curve_is_drawn_where_its_points_are(browser: object, report: Path) -> None:
    """The soak's last current lies at the right end of its plot: there are pixels of its colour."""
    opened = Watched(browser, report, 1000)
    place = opened.shown.evaluate(
        """(() => {
          const u = document.querySelectorAll('figure.zooms')[0].chart, [xs, ys] = u.data[1];
          const k = Math.floor(xs.length / 2), r = u.over.getBoundingClientRect();
          return [r.left + u.valToPos(xs[k], 'x'), r.top + scrollY + u.valToPos(ys[k], 'y')];
        })()"""
    )
    x, y = map(round, place)
    near = opened.picture().crop((x - 2, y - 2, x + 3, y + 3)).getcolors(100) or []
    assert any(blue > red + 60 for _, (red, _, blue) in near)


def test_it_is_dark_where_the_person_wants_it_dark(browser: object, report: Path) -> None:
    opened = Watched(browser, report, 800)
    light = opened.picture().getpixel((2, 2))
    opened.shown.emulate_media(color_scheme="dark")
    dark = opened.picture().getpixel((2, 2))
    assert min(light) > 240
    assert max(dark) < 50
    assert opened.complaints == []


def test_it_prints_its_pictures_and_not_its_buttons(browser: object, report: Path) -> None:
    opened = Watched(browser, report, 1000)
    opened.shown.emulate_media(media="print")
    shown = "[...document.querySelectorAll('SELECTOR')].map(e => e.checkVisibility())"
    assert not any(opened.shown.evaluate(shown.replace("SELECTOR", ".tools, nav, canvas")))
    pictures = opened.shown.evaluate(shown.replace("SELECTOR", "figure img"))
    assert pictures == [True] * 6
    printed = opened.shown.pdf(format="A4")
    assert printed.startswith(b"%PDF")
    assert 4 <= printed.count(b"/Type /Page\n") + printed.count(b"/Type /Page ") <= 12


def test_without_scripts_the_pictures_stand_there(browser: object, report: Path) -> None:
    context = browser.new_context(java_script_enabled=False)  # type: ignore[attr-defined]
    shown = context.new_page()
    shown.goto(report.as_uri())
    assert shown.locator("figure img").first.is_visible()
    assert not shown.locator(".tools").first.is_visible()
    context.close()


def test_a_reader_hears_headings_tables_and_what_is_on_the_plots(
    browser: object, report: Path
) -> None:
    opened = Watched(browser, report, 1000)
    heard = opened.shown.locator("body").aria_snapshot()
    for words in (
        'heading "Supercapacitor: capacitance and internal resistance" [level=1]',
        'heading "Results" [level=2]',
        'navigation "On this page"',
        'rowheader "Capacitance"',
        'img "voltage (V) against time (min); charging: over 0 to',
        'button "smu: voltage over time: closer"',
    ):
        assert words in heard, words


@pytest.fixture(scope="module")
def of_a_diode(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("report") / "diode.html"
    path.write_text(page(run_of("sweep-diode")), encoding="utf-8")
    return path


ALONG = (
    "[...document.querySelectorAll('figure.zooms')]"
    ".map(f => f.chart.axes.map(a => a._values.filter(v => v !== null && v !== '')))"
)


@pytest.mark.parametrize("width", [390, 1280])
def test_small_currents_on_a_logarithmic_axis_are_told_apart(
    browser: object, of_a_diode: Path, width: int
) -> None:
    opened = Watched(browser, of_a_diode, width)
    # From 1.3 uA to 220 mA.
    assert opened.shown.evaluate(ALONG)[0][1] == ["10⁻⁶", "10⁻⁵", "10⁻⁴", "10⁻³", "10⁻²", "10⁻¹"]
    assert opened.complaints == []


def test_figures_along_an_axis_stay_apart_however_close_one_looks(
    browser: object, of_a_diode: Path
) -> None:
    opened = Watched(browser, of_a_diode, 1000)
    opened.shown.evaluate(
        """[...document.querySelectorAll('figure.zooms')].slice(1).forEach(f => {
          f.chart.setScale('x', { min: 3, max: 3.00002 });
          f.chart.setScale('y', { min: -1.00001, max: -1 });
        })"""
    )
    for across, up in opened.shown.evaluate(ALONG)[1:]:
        for figures in (across, up):
            assert len(set(figures)) == len(figures) > 2
        assert all(3 <= float(text) <= 3.00002 for text in across)
        assert all(-1.00001 <= float(text.replace("−", "-")) <= -1 for text in up)
    assert opened.complaints == []


WRITTEN = """
  window.written = [];
  const own = CanvasRenderingContext2D.prototype.fillText;
  CanvasRenderingContext2D.prototype.fillText = function (text, x, y) {
    const box = this.measureText(text);
    written.push([text, y - box.actualBoundingBoxAscent, y + box.actualBoundingBoxDescent]);
    own.apply(this, arguments);
  };
"""


@pytest.mark.parametrize("width", [390, 1280])
def test_a_line_stands_beside_its_name_and_not_in_it(
    browser: object, of_a_diode: Path, width: int
) -> None:
    opened = Watched(browser, of_a_diode, width, WRITTEN)
    places = opened.shown.evaluate(
        """[...document.querySelectorAll('figure.zooms')].flatMap(f => {
          const u = f.chart, plot = JSON.parse(f.querySelector('script').textContent);
          return plot.levels.map(l => [l.name, u.valToPos(l.value, 'y', true), u.bbox.top]);
        })"""
    )
    names = {"blocking voltage 1.2 V", "blocking current 300 mA", "blocking current -1 mA"}
    assert {name for name, _, _ in places} == names
    written = opened.shown.evaluate("written")
    for name, line, frame in places:
        spans = [(top, foot) for text, top, foot in written if text == name]
        assert spans
        for top, foot in spans:
            assert foot < line - 1 or top > line + 1, (name, line, top, foot)
            assert top >= frame


def test_on_a_phone_an_operating_area_is_readable_and_scrolls_in_its_own_box(
    browser: object, of_a_diode: Path
) -> None:
    opened = Watched(browser, of_a_diode, 390)
    wide, drawn, box = opened.shown.evaluate(
        """(() => {
          const img = document.querySelector('#area-smu img'), box = img.parentElement;
          return [img.clientWidth, img.naturalWidth, box.clientWidth];
        })()"""
    )
    # Its letters are of 9 pt, 12 of the pixels of a style sheet.
    assert 12 * wide / drawn >= 11
    assert box < wide
    assert opened.shown.evaluate("document.documentElement.scrollWidth") == 390
