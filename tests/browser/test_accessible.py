"""Now by the rules of WCAG 2.2 AA: axe-core over every state, the keyboard alone, 400 %, and text spacing."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import many_heatups
import pytest
import status_samples as samples
from answering_daemon import AnsweringDaemon
from calibrated import keep_calibration
from selenium import webdriver
from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys

from .conftest import ServedPage
from .test_page_on_a_phone import CONTRAST, body, wait_for, with_curve

TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
JUDGED = {"color-contrast": {"drawing", "table"}}
"""What axe can't decide by itself, and where that was judged: text over lines and areas of the drawings,
looked at in pictures by day and by night; cells of the table scrolled out of sight, computed below."""
RUN = """
const [tags, done] = arguments;
const options = {runOnly: {type: 'tag', values: tags}, rules: {'target-size': {enabled: true}}};
const drawn = (place) => {
  const found = document.querySelector(place[0]);
  return found.closest('svg') ? 'drawing' : found.closest('.wide, .x-wide') ? 'table' : place.join(' ');
};
axe.run(document, options).then(r => done([
  r.violations.map(v => [v.id, v.nodes.map(n => n.target.join(' '))]),
  r.incomplete.map(v => [v.id, [...new Set(v.nodes.map(n => drawn(n.target)))]]),
]));
"""


def axe_core() -> str:
    """The text of axe-core as its package carries it; the package itself isn't imported."""
    found = find_spec("axe_playwright_python")
    assert found is not None
    assert found.submodule_search_locations
    return (Path(found.submodule_search_locations[0]) / "axe.min.js").read_text("utf-8")


def check(phone: webdriver.Chrome) -> tuple[list[Any], list[Any]]:
    """Violations and what is to be judged, each as (rule, places)."""
    phone.execute_cdp_cmd("Page.setBypassCSP", {"enabled": True})
    phone.execute_script(axe_core())
    violations, incomplete = phone.execute_async_script(RUN, TAGS)
    return violations, incomplete


@pytest.mark.parametrize("state", samples.STATES)
def test_axe_finds_nothing_and_leaves_nothing_unjudged(
    served: ServedPage, phone: webdriver.Chrome, state: str
) -> None:
    served.show(with_curve(samples.STATES[state]()))
    phone.get(served.url)
    phone.execute_script("document.querySelectorAll('details').forEach(d => d.open = true)")
    violations, incomplete = check(phone)
    assert violations == []
    assert [found for found in incomplete if not set(found[1]) <= JUDGED.get(found[0], set())] == []
    for css in (".wide th", ".wide td"):
        assert phone.execute_script(CONTRAST, css) >= 4.5


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("make", [samples.perhaps_flown, samples.flown_told, samples.with_weather])
def test_axe_finds_nothing_in_the_other_sections_by_day_and_night(
    served: ServedPage, phone: webdriver.Chrome, make: Any, scheme: str
) -> None:
    features = [{"name": "prefers-color-scheme", "value": scheme}]
    phone.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": features})
    served.show(make())
    phone.get(served.url)
    assert check(phone)[0] == []
    served.show(samples.aged(make(), 300))
    phone.get(served.url)
    assert check(phone)[0] == []


def test_the_keyboard_alone_reaches_and_presses_everything(
    served: ServedPage, phone: webdriver.Chrome
) -> None:
    served.show(with_curve(samples.ready()))
    phone.get(served.url)
    wanted = phone.execute_script(
        "return [...document.querySelectorAll('a[href], button, summary, [tabindex=\"0\"]')]"
        ".filter(e => e.checkVisibility()).length"
    )
    seen: list[str] = []
    for _ in range(wanted + 5):
        ActionChains(phone).send_keys(Keys.TAB).perform()
        place = phone.execute_script(
            "const e = document.activeElement, s = getComputedStyle(e), b = e.getBoundingClientRect();"
            "return [e.outerHTML.slice(0, 90), s.outlineStyle, b.bottom > 0 && b.top < innerHeight]"
        )
        if place[0].startswith("<body"):
            break
        assert place[1] != "none", place[0]
        assert place[2], place[0]
        seen.append(place[0])
    assert len(seen) == wanted
    phone.execute_script("document.getElementById('answer-switch-off-1-it-is-off').focus()")
    ActionChains(phone).send_keys(Keys.ENTER).perform()
    wait_for(phone, lambda: "Done." in body(phone))


def test_at_400_percent_nothing_is_cut_off_or_needs_two_directions(
    served: ServedPage, phone: webdriver.Chrome
) -> None:
    """1280 px at 400 % are 320: here the text alone is doubled besides, as people do who need it."""
    served.show(with_curve(samples.probe_missing()))
    phone.get(served.url)
    phone.execute_script("document.documentElement.style.fontSize = '200%'")
    assert phone.execute_script("return getComputedStyle(document.querySelector('.next')).fontSize") == "36px"
    wide = "return [...document.querySelectorAll('body *')].filter(e => e.getBoundingClientRect().right > 320"
    wide += " && !e.closest('.wide')).map(e => e.outerHTML.slice(0, 80))"
    assert phone.execute_script(wide) == []
    cut = phone.execute_script(
        "return [...document.querySelectorAll('.block *, .alert *, .trouble')].filter(e =>"
        " e.checkVisibility() && !e.closest('svg, .wide') && e.scrollWidth > e.clientWidth + 1"
        " && getComputedStyle(e).display !== 'inline').map(e => e.outerHTML.slice(0, 80))"
    )
    assert cut == []


def test_text_spaced_as_readers_need_it_is_whole(served: ServedPage, phone: webdriver.Chrome) -> None:
    """WCAG 2.2, 1.4.12: line 1.5, paragraph 2, letter 0.12 and word 0.16 times the font's size."""
    served.show(samples.ready())
    phone.get(served.url)
    phone.execute_script(
        "for (const e of document.querySelectorAll('body *')) Object.assign(e.style, {lineHeight: '1.5',"
        " letterSpacing: '.12em', wordSpacing: '.16em'})"
    )
    assert phone.execute_script("return document.documentElement.scrollWidth") == 320


def test_nothing_moves_by_itself(served: ServedPage, phone: webdriver.Chrome) -> None:
    served.show(samples.too_hot())
    phone.get(served.url)
    assert phone.execute_script("return document.getAnimations().length") == 0


def test_only_harm_is_an_alert_and_one_region_is_polite(served: ServedPage, phone: webdriver.Chrome) -> None:
    served.show(samples.probe_missing())
    phone.get(served.url)
    assert phone.find_elements(By.CSS_SELECTOR, "#part-alerts .alert") != []
    assert phone.find_elements(By.CSS_SELECTOR, "[role=alert]") == []
    assert len(phone.find_elements(By.CSS_SELECTOR, "[aria-live], [role=status]")) == 1
    served.show(samples.too_hot())
    phone.get(served.url)
    assert len(phone.find_elements(By.CSS_SELECTOR, "[role=alert]")) == 1


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_before_the_stylesheet_the_page_is_as_dark_as_after_it(
    served: ServedPage, phone: webdriver.Chrome, scheme: str
) -> None:
    features = [{"name": "prefers-color-scheme", "value": scheme}]
    phone.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": features})
    served.show(samples.heating())
    phone.get(served.url)
    phone.execute_script("document.querySelector('link[rel=stylesheet]').remove()")
    bare = phone.execute_script(
        "const e = document.createElement('p'); e.style.background = 'Canvas'; document.body.append(e);"
        "return getComputedStyle(e).backgroundColor"
    )
    light = sum(int(n) for n in bare[4:-1].split(",")[:3]) / 3
    assert light < 60 if scheme == "dark" else light > 200


@pytest.fixture(scope="module")
def winter(tmp_path_factory: pytest.TempPathFactory) -> Iterator[ServedPage]:
    """Four heat-ups, the last not over; a check that offers corrections, one kept, one undone; the card."""
    folder = tmp_path_factory.mktemp("winter")
    with AnsweringDaemon(folder / "store.db") as daemon:
        found = list(many_heatups.mornings(4))
        found[-1] = replace(found[-1], lasts_s=5400.0, is_open=True)
        many_heatups.write(folder / "store.db", found)
        keep_calibration(daemon.store)
        page = ServedPage(folder, daemon)
        page.show(samples.heating())
        try:
            yield page
        finally:
            page.stop()


OWNERS_PAGES = (
    "/calibrate",
    "/calibrate/card",
    "/curves",
    "/curves/over?h=4&h=3&h=2",
    "/curves/3",
    "/curves/4",
)


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("path", OWNERS_PAGES)
def test_axe_finds_nothing_on_the_owner_s_pages_by_day_and_night(
    winter: ServedPage, phone: webdriver.Chrome, path: str, scheme: str
) -> None:
    features = [{"name": "prefers-color-scheme", "value": scheme}]
    phone.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": features})
    phone.get(winter.url.replace("/?", f"{path}{'&' if '?' in path else '?'}"))
    assert phone.find_elements(By.CSS_SELECTOR, "main")
    phone.execute_script("document.querySelectorAll('details').forEach(d => d.open = true)")
    violations, incomplete = check(phone)
    assert violations == []
    judged = {"color-contrast": JUDGED["color-contrast"] | {"#k-over"}}  # it sticks over the rows
    assert [found for found in incomplete if not set(found[1]) <= judged.get(found[0], set())] == []
    for css in (".wide th", ".wide td", "#k-over", ".x-hours th", ".x-hours td"):
        if phone.find_elements(By.CSS_SELECTOR, css):
            assert phone.execute_script(CONTRAST, css) >= 4.5
