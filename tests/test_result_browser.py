"""The result pages in a browser: no column is lost on a narrow screen, keys lead through, and axe-core finds no fault.

Chromium and, for axe-core, npm are needed; a test that misses one says so and is skipped.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from credkit.census import census
from credkit.crosswalk import Crosswalk, compare_runs, crosswalk, read_run, write_outputs
from credkit.demo import Demo
from credkit.report import pin_file, report_census, report_comparison, report_crosswalk
from credkit.site import load_site
from tests.amounts import amounts
from tests.browser import Browser, axe, chromium
from tests.test_report_browser import RULES, SIDES, told
from tests.test_result_page import write_site

MADE = datetime(2026, 4, 1, 9, 30, tzinfo=UTC)
PAGES = ("crosswalk", "comparison", "census")


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory, demo: Demo, demo_crosswalk: Crosswalk) -> dict[str, str]:
    """The address of each page; the comparison is one of the demo with a small site."""
    home = tmp_path_factory.mktemp("pages")
    site = load_site(demo.site)
    write_outputs(demo_crosswalk, home / "one")
    small = write_site(home / "site")
    text = small.read_text(encoding="utf-8").replace('"Brackwater Terminal"', json.dumps(demo_crosswalk.site))
    small.write_text(text, encoding="utf-8")
    write_outputs(crosswalk(load_site(small)), home / "two")
    compared = compare_runs(read_run(home / "two"), read_run(home / "one"))
    files = [pin_file(demo.site), pin_file(site.credentials.path)]
    texts = {
        "crosswalk": report_crosswalk(demo_crosswalk, site, compared=compared, made=MADE),
        "alone": report_crosswalk(demo_crosswalk, site, made=MADE),
        "comparison": report_comparison(compared, made=MADE),
        "census": report_census(census(site), site, files=files, made=MADE),
    }
    found = {}
    for name, text in texts.items():
        path = home / f"{name}.html"
        path.write_text(text, encoding="utf-8")
        found[name] = path.as_uri()
    return found


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Browser]:
    found = Browser(chromium(), tmp_path_factory.mktemp("profile"))
    yield found
    found.close()


def open_all(browser: Browser) -> None:
    """Unfold what is folded."""
    browser.run("document.querySelectorAll('details').forEach(each => each.open = true)")


@pytest.mark.parametrize("name", PAGES)
def test_it_opens_and_asks_for_nothing(browser: Browser, pages: dict[str, str], name: str) -> None:
    browser.look(1280)
    browser.open(pages[name])
    asked = {each["request"]["url"] for each in told(browser, "Network.requestWillBeSent")}
    assert asked == {pages[name]}
    assert told(browser, "Log.entryAdded") == told(browser, "Runtime.consoleAPICalled") == []


@pytest.mark.parametrize("name", PAGES)
def test_no_column_is_lost_on_any_screen(browser: Browser, pages: dict[str, str], name: str) -> None:
    for width, dark in SIDES:
        browser.look(width, dark=dark)
        browser.open(pages[name])
        open_all(browser)
        assert browser.run("document.documentElement.scrollWidth") <= width
        wide = "[...document.querySelectorAll('.scroll')].filter(e => e.scrollWidth > e.clientWidth + 1)"
        assert browser.run(f"{wide}.map(e => e.getAttribute('aria-labelledby'))") == []
        cells = "[...document.querySelectorAll('tbody td, tbody th')]"
        lost = f"{cells}.filter(e => {{ const r = e.getBoundingClientRect(); return !r.width || r.right > {width} }})"
        assert browser.run(f"{lost}.length") == 0
    browser.look(390)
    browser.open(pages[name])
    open_all(browser)
    labels = "[...document.querySelectorAll('.stack tbody td')].map(e => getComputedStyle(e, '::before').content)"
    shown = browser.run(labels)
    assert len(shown) > 20
    assert all(len(each) > 2 for each in shown), "a cell that stands by itself names its column"
    heads = browser.run(
        "[...document.querySelectorAll('.stack')].map(t => [t.querySelectorAll('thead th').length,"
        " Math.max(...[...t.querySelectorAll('tbody tr')].map(r => r.children.length))])"
    )
    assert all(head == cells for head, cells in heads)


@pytest.mark.parametrize("name", ["crosswalk", "alone"])
def test_no_line_breaks_within_an_option_or_before_a_percent_sign(
    browser: Browser, pages: dict[str, str], name: str
) -> None:
    """The page without an earlier run names options; a text of two lines has two boxes."""
    pieces = set()
    for width in (1280, 700, 390, 330):
        browser.look(width)
        browser.open(pages[name])
        open_all(browser)
        every = "[...document.querySelectorAll('.whole')]"
        pieces |= set(browser.run(f"{every}.map(e => e.textContent)"))
        assert browser.run(f"{every}.filter(e => e.getClientRects().length != 1).map(e => e.textContent)") == []
        styles = browser.run(f"[...new Set({every}.map(e => getComputedStyle(e).display))]")
        assert set(styles) <= {"inline"}, "the words before and behind stand on the same line"
    text = browser.run("document.body.textContent")
    assert {found for found in re.findall(r"[0-9.]+ %", text) if "." in found} <= pieces
    assert set(re.findall(r"\bP-[0-9]{4}\b", text)) <= pieces
    if name == "alone":
        assert {"--since RUN", "--keep N", "credkit crosswalk --since RUN"} <= pieces


def test_the_first_screen_has_the_ten_answers(browser: Browser, pages: dict[str, str]) -> None:
    browser.look(1280)
    browser.open(pages["crosswalk"])
    bottoms = browser.run(
        "[...document.querySelectorAll('.verdict, .answers div')].map(e => e.getBoundingClientRect().bottom)"
    )
    assert len(bottoms) == 11
    assert max(bottoms) <= 900, "1280 by 900"


@pytest.mark.parametrize("name", PAGES)
def test_keys_lead_through_it(browser: Browser, pages: dict[str, str], name: str) -> None:
    browser.look(1280)
    browser.open(pages[name])
    open_all(browser)
    focused = "document.activeElement"
    seen = []
    for _ in range(400):
        browser.press("Tab")
        if browser.run(f"{focused} === document.body"):
            break
        seen.append(
            browser.run(
                f"[{focused}.tagName, {focused}.className, getComputedStyle({focused}).outlineStyle, "
                f"{focused}.getAttribute('aria-labelledby') || {focused}.textContent.trim()]"
            )
        )
    assert seen[0][1] == "skip"
    assert all(each[2] == "solid" and each[3] for each in seen)
    assert sum(each[0] == "SUMMARY" for each in seen) == browser.run("document.querySelectorAll('summary').length")
    assert sum(each[0] == "A" for each in seen) == browser.run("document.querySelectorAll('a').length")


@pytest.mark.parametrize("name", PAGES)
def test_it_prints_on_a4_in_black(browser: Browser, pages: dict[str, str], name: str) -> None:
    """210 mm by 297 mm (ISO 216) are 595 by 842 points; what is to be filled in by hand has room."""
    browser.look(1280)
    browser.open(pages[name])
    paper = browser.paper()
    sizes = {tuple(map(float, found)) for found in re.findall(rb"/MediaBox \[0 0 ([0-9.]+) ([0-9.]+)\]", paper)}
    assert {(round(wide), round(high)) for wide, high in sizes} == {(595, 842)}
    browser.ask("Emulation.setDeviceMetricsOverride", width=688, height=1000, deviceScaleFactor=1, mobile=False)
    browser.ask("Emulation.setEmulatedMedia", media="print", features=[])
    assert browser.run("getComputedStyle(document.body).backgroundColor") == "rgb(255, 255, 255)"
    assert browser.run("document.documentElement.scrollWidth") <= 688
    if name != "comparison":
        blank = "[...document.querySelectorAll('tbody .fill')].map(e => e.getBoundingClientRect().width)"
        assert min(browser.run(blank)) >= 40


@amounts("sides", quick=1, whole=len(SIDES))
def test_axe_finds_no_fault(browser: Browser, pages: dict[str, str], tmp_path: Path, sides: int) -> None:
    """Rules of WCAG 2.2, level AA, and what axe-core calls best practice; in surveys on both widths, light and dark."""
    script = axe(tmp_path)
    options = json.dumps({"runOnly": RULES, "resultTypes": ["violations"]})
    for name, address in pages.items():
        for width, dark in SIDES[:sides]:
            browser.look(width, dark=dark)
            browser.open(address)
            open_all(browser)
            browser.run(script)
            found = browser.run(f"axe.run(document, {options})")
            faults = [(each["id"], [node["html"][:200] for node in each["nodes"][:3]]) for each in found["violations"]]
            assert faults == [], (name, width, dark)
            assert len(found["passes"]) > 15
