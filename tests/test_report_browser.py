"""The report in a browser: it opens, asks for nothing, can be walked through by keyboard, and axe-core finds no fault.

Chromium and, for axe-core, npm are needed; a test that misses one says so and is skipped.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from credkit.audit import Audit
from credkit.demo import Demo
from credkit.report import pin_file, report
from credkit.site import load_site
from tests.amounts import amounts
from tests.browser import Browser, axe, chromium

SIDES = [(1280, False), (1280, True), (390, False), (390, True)]
RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]


@pytest.fixture(scope="module")
def address(tmp_path_factory: pytest.TempPathFactory, demo: Demo, demo_audit: Audit) -> str:
    page = tmp_path_factory.mktemp("page") / "report.html"
    made = datetime(2026, 4, 1, 9, 30, tzinfo=UTC)
    page.write_text(report(demo_audit, load_site(demo.site).zone, described=[pin_file(demo.site)], made=made))
    return page.as_uri()


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Browser]:
    found = Browser(chromium(), tmp_path_factory.mktemp("profile"))
    yield found
    found.close()


def told(browser: Browser, method: str) -> list[dict[str, Any]]:
    return [event["params"] for event in browser.events if event.get("method") == method]


def test_it_opens_and_asks_for_nothing(browser: Browser, address: str) -> None:
    browser.look(1280)
    browser.open(address)
    assert browser.run("document.title") == "Audit of card readings: Brackwater Terminal"
    asked = {each["request"]["url"] for each in told(browser, "Network.requestWillBeSent")}
    assert asked == {address}
    assert told(browser, "Log.entryAdded") == told(browser, "Runtime.consoleAPICalled") == []
    assert told(browser, "Runtime.exceptionThrown") == []
    assert browser.run("performance.getEntriesByType('resource').length") == 0


def test_what_a_page_may_not_do_is_seen(browser: Browser, address: str, tmp_path: Path) -> None:
    """The test above would be empty if nothing were seen: here the page's own policy stops an image, and says so."""
    page = Path(address.removeprefix("file://")).read_text()
    wrong = tmp_path / "wrong.html"
    wrong.write_text(page.replace("<main", '<img src="other.png" alt=""><main'))
    browser.open(wrong.as_uri())
    browser.run("new Promise(done => setTimeout(done, 100))")
    assert any("Content Security Policy" in each["entry"]["text"] for each in told(browser, "Log.entryAdded"))


@pytest.mark.parametrize(("width", "dark"), SIDES)
def test_it_fits_and_has_the_colours_of_the_screen(browser: Browser, address: str, width: int, dark: bool) -> None:
    browser.look(width, dark=dark)
    browser.open(address)
    assert browser.run("document.documentElement.scrollWidth") <= width
    paper = re.findall("[0-9]+", browser.run("getComputedStyle(document.body).backgroundColor"))
    assert (max(map(int, paper)) < 64) is dark
    assert (min(map(int, paper)) > 192) is not dark
    hidden = "[...document.querySelectorAll('main *')].filter(e => e.getClientRects().length && !e.closest('.scroll'))"
    assert browser.run(f"Math.max(...{hidden}.map(e => e.getBoundingClientRect().right))") <= width


def test_keys_lead_through_it_in_the_order_of_the_page(browser: Browser, address: str) -> None:
    browser.look(1280)
    browser.open(address)
    seen: list[list[Any]] = []
    focused = "document.activeElement"
    for _ in range(200):
        browser.press("Tab")
        if browser.run(f"{focused} === document.body"):
            break
        seen.append(
            browser.run(
                f"[{focused}.tagName, {focused}.getBoundingClientRect().top + scrollY, {focused}.className, "
                f"getComputedStyle({focused}).outlineStyle, "
                f"{focused}.getAttribute('aria-labelledby') || {focused}.getAttribute('aria-label') || "
                f"{focused}.textContent.trim()]"
            )
        )
    assert seen[0][2] == "skip"
    assert all(each[4] for each in seen), "what has the focus has a name"
    assert all(each[3] == "solid" for each in seen), "what has the focus shows it"
    regions = [each for each in seen if "scroll" in each[2]]
    assert len(regions) == browser.run("document.querySelectorAll('.scroll').length") - 1  # one in closed details
    places = [each[1] for each in regions]
    assert places == sorted(places)
    assert {each[0] for each in seen} == {"A", "DIV", "SUMMARY"}


def test_the_skip_link_skips(browser: Browser, address: str) -> None:
    browser.look(1280)
    browser.open(address)
    browser.press("Tab")
    browser.press("Enter")
    assert browser.run("document.activeElement.id") == "main"
    browser.press("Tab")
    assert browser.run("document.activeElement.getAttribute('aria-labelledby')") == "files"


def test_it_prints_on_a4(browser: Browser, address: str) -> None:
    """210 mm by 297 mm (ISO 216) are 595 by 842 points; dark screens print as light ones do."""
    browser.open(address)
    paper = browser.paper()
    assert paper.startswith(b"%PDF")
    sizes = {tuple(map(float, found)) for found in re.findall(rb"/MediaBox \[0 0 ([0-9.]+) ([0-9.]+)\]", paper)}
    assert all((round(wide), round(high)) == (595, 842) for wide, high in sizes)
    assert sizes
    browser.ask(
        "Emulation.setEmulatedMedia", media="print", features=[{"name": "prefers-color-scheme", "value": "dark"}]
    )
    assert browser.run("getComputedStyle(document.body).backgroundColor") == "rgb(255, 255, 255)"
    assert browser.run("getComputedStyle(document.body).color") == "rgb(0, 0, 0)"
    assert browser.run("getComputedStyle(document.querySelector('nav')).display") == "none"


@amounts("sides", quick=1, whole=len(SIDES))
def test_axe_finds_no_fault(browser: Browser, address: str, tmp_path: Path, sides: int) -> None:
    """Rules of WCAG 2.2, level AA, and what axe-core calls best practice; in surveys on both widths, light and dark."""
    script = axe(tmp_path)
    options = json.dumps({"runOnly": RULES, "resultTypes": ["violations"]})
    for width, dark in SIDES[:sides]:
        browser.look(width, dark=dark)
        browser.open(address)
        browser.run("document.querySelector('details').open = true")
        browser.run(script)
        found = browser.run(f"axe.run(document, {options})")
        faults = [(each["id"], [node["html"][:200] for node in each["nodes"][:3]]) for each in found["violations"]]
        assert faults == [], (width, dark)
        assert len(found["passes"]) > 20
    browser.run("document.documentElement.removeAttribute('lang')")
    found = browser.run(f"axe.run(document, {options})")
    assert [each["id"] for each in found["violations"]] == ["html-has-lang"], "axe-core sees a fault that is there"
