"""What a pilot does with Now before driving, in a real Chromium at a name that isn't this machine's own: over
plain HTTP, and over HTTPS with an authority the browser trusts as a phone trusts its owner's."""

from __future__ import annotations

import os
import shutil
import subprocess
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import msgspec
import pytest
import status_samples as samples
from answering_daemon import AnsweringDaemon
from real_https import Authority
from selenium import webdriver
from selenium.webdriver.chrome.service import Service
from selenium.webdriver.common.by import By
from tls_proxy import TlsProxy

from probe_agent import pairing
from probe_agent.store import Batch, begin_session, offer_code

from .conftest import FLAGS, ServedPage
from .test_page_on_a_phone import body, wait_for

NAME = "hangar.example"
SESSION = "a-token-as-the-page-makes-one"


@pytest.fixture(scope="module")
def authority(tmp_path_factory: pytest.TempPathFactory) -> Authority:
    return Authority(tmp_path_factory.mktemp("authority"))


@pytest.fixture(scope="module")
def trusting(authority: Authority, tmp_path_factory: pytest.TempPathFactory) -> Iterator[webdriver.Chrome]:
    """A Chromium whose own store has the authority, and which finds the name on this machine."""
    home = tmp_path_factory.mktemp("home")
    store = home / ".pki" / "nssdb"
    store.mkdir(parents=True)
    for arguments in (
        ["-N", "--empty-password"],
        ["-A", "-t", "C,,", "-n", "authority", "-i", str(authority.file)],
    ):
        subprocess.run(["certutil", "-d", f"sql:{store}", *arguments], check=True, capture_output=True)
    options = webdriver.ChromeOptions()
    options.binary_location = str(shutil.which("chromium"))
    options.add_experimental_option("prefs", {"intl.accept_languages": "en-GB,en"})
    for flag in (
        *FLAGS,
        f"--user-data-dir={home / 'profile'}",
        f"--host-resolver-rules=MAP {NAME} 127.0.0.1",
    ):
        options.add_argument(flag)
    service = Service(str(shutil.which("chromedriver")), env={**os.environ, "HOME": str(home)})
    browser = webdriver.Chrome(options=options, service=service)
    browser.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride",
        {"width": 320, "height": 568, "deviceScaleFactor": 1, "mobile": True},
    )
    browser.execute_cdp_cmd("Emulation.setTimezoneOverride", {"timezoneId": "Europe/Oslo"})
    try:
        yield browser
    finally:
        browser.quit()


@dataclass
class Field:
    """The page at the field as the pilot's phone reaches it."""

    page: ServedPage
    url: str
    phone: webdriver.Chrome
    secure: bool

    def open(self) -> None:
        self.phone.get(f"{self.url}?unit=C&clock=24")
        wait_for(self.phone, lambda: self.phone.execute_script("return document.readyState") == "complete")

    def hide(self) -> None:
        """Another tab in front; the pilot's own is told that it is hidden."""
        self.phone.execute_script(
            "Object.defineProperty(document, 'hidden', {get: () => window.away, configurable: true});"
            "window.away = true; document.dispatchEvent(new Event('visibilitychange'));"
        )

    def show_again(self) -> None:
        self.phone.execute_script(
            "window.away = false; document.dispatchEvent(new Event('visibilitychange'))"
        )

    def seen(self, css: str) -> bool:
        """Whether something can be seen, as a person sees it."""
        return any(e.is_displayed() for e in self.phone.find_elements(By.CSS_SELECTOR, css))

    def pair(self) -> None:
        """As after typing the owner's code."""
        now_at = time.time()
        store = self.page.daemon.store
        store.commit(Batch(statements=offer_code("owner", b"salt", b"sealed", now_at, now_at + 900)))
        hashed = pairing.token_hash(SESSION)
        store.commit(Batch(statements=begin_session(1, "owner", "phone", hashed, now_at, now_at + 9000)))
        cookie = {"name": "__Host-session", "value": SESSION, "url": self.url, "path": "/", "secure": True}
        assert self.phone.execute_cdp_cmd("Network.setCookie", cookie)["success"]


@pytest.fixture(params=["http", "https"])
def field(
    request: pytest.FixtureRequest, tmp_path: Path, authority: Authority, trusting: webdriver.Chrome
) -> Iterator[Field]:
    secure = request.param == "https"
    with AnsweringDaemon(tmp_path / "store.db") as daemon:
        page = ServedPage(tmp_path, daemon, proxy="127.0.0.1" if secure else None)
        try:
            if secure:
                with TlsProxy(tmp_path, page.port, authority.certificate(NAME)) as proxy:
                    yield Field(page, f"https://{NAME}:{proxy.port}/", trusting, True)
            else:
                yield Field(page, f"http://{NAME}:{page.port}/", trusting, False)
        finally:
            trusting.get("about:blank")
            page.stop()


def later(minutes: float) -> dict[str, str]:
    return {
        "above_p10": samples.minutes_after(minutes - 14),
        "above_p50": samples.minutes_after(minutes),
        "above_p90": samples.minutes_after(minutes + 20),
    }


def test_heating_then_delayed_then_failed(field: Field) -> None:
    field.page.show(samples.heating())
    field.open()
    first = body(field.phone)
    assert "Warming." in first
    assert "Above target most likely about 08:35." in first
    assert "1 in 10 later than 08:55." in first
    field.page.show(samples.sample(now=samples.minutes_after(15), **later(165)))
    wait_for(field.phone, lambda: "most likely about 09:35" in body(field.phone))
    assert "08:35" not in body(field.phone)
    field.page.show(samples.heater_stopped())
    wait_for(field.phone, lambda: "Heat has stopped." in body(field.phone))
    assert "Have someone look at the heater's plug, its cable and the breaker." in body(field.phone)


def test_an_old_state_is_shown_as_old_and_the_fresh_one_is_believed(field: Field) -> None:
    field.page.show(samples.aged(samples.ready(), 400))
    field.open()
    assert "Nothing heard from the aircraft since 06:50." in body(field.phone)
    assert "Ready" not in body(field.phone)
    field.page.show(samples.ready())
    wait_for(field.phone, lambda: "Ready to start" in body(field.phone))


def test_back_in_front_nothing_is_called_by_its_name_until_an_answer_came(field: Field) -> None:
    field.page.show(samples.ready())
    field.open()
    assert field.seen("#part-verdict .verdict")
    field.hide()
    field.page.open.clear()
    field.show_again()
    assert not field.seen("#part-verdict .verdict")
    assert not field.seen("#part-old .verdict")
    wait_for(field.phone, lambda: field.seen("#part-old .verdict"))
    assert not field.seen("#part-verdict .verdict")
    assert "Nothing heard from the aircraft since 06:50." in body(field.phone)
    field.page.open.set()
    wait_for(field.phone, lambda: field.seen("#part-verdict .verdict"))
    assert "Ready to start" in body(field.phone)


def test_a_hidden_page_asks_nothing_and_asks_at_once_when_it_is_back(field: Field) -> None:
    field.page.show(samples.heating())
    field.open()
    wait_for(field.phone, lambda: "/now" in field.page.asked)
    field.hide()
    field.page.asked.clear()
    field.phone.execute_async_script("setTimeout(arguments[0], 7000)")  # longer than between two askings
    assert field.page.asked == []
    field.show_again()
    wait_for(field.phone, lambda: "/now" in field.page.asked)


def test_a_tab_taken_from_the_back_forward_store_asks_first(field: Field) -> None:
    field.page.show(samples.ready())
    field.open()
    field.page.open.clear()
    field.phone.execute_script("dispatchEvent(new PageTransitionEvent('pageshow', {persisted: true}))")
    assert not field.seen("#part-verdict .verdict")
    field.page.open.set()
    wait_for(field.phone, lambda: field.seen("#part-verdict .verdict"))


def test_an_alert_is_answered_contradicted_and_asked_anew(field: Field) -> None:
    if not field.secure:
        pytest.skip("over plain HTTP a phone from this address may only look")
    field.page.show(samples.ready())
    field.pair()
    field.open()
    field.phone.find_element(By.ID, "answer-switch-off-1-it-is-off").click()
    wait_for(field.phone, lambda: "Done." in body(field.phone))
    assert [(c.kind, c.body["answer"]) for c in field.page.daemon.asked] == [("answer-alert", "it-is-off")]
    asked = samples.alert("switch-off", -5, harm=True)
    field.page.show(samples.sample(alerts=(msgspec.structs.replace(asked, answered="it-is-off"),)))
    wait_for(field.phone, lambda: "Answered: It is off." in body(field.phone))
    assert not field.seen("#part-alerts button")
    denied = msgspec.structs.replace(asked, id="switch-off-2", denied_at=samples.minutes_after(-1))
    field.page.show(samples.sample(alerts=(denied,), now=samples.minutes_after(9)))
    wait_for(field.phone, lambda: field.seen("#answer-switch-off-2-it-is-off"))
    assert '"It is off" was said at 06:49, but it still warms.' in body(field.phone)


def test_a_phone_in_another_zone_is_told_whose_time_it_is(field: Field) -> None:
    field.page.show(samples.heating())
    field.open()
    assert "at field" not in body(field.phone)
    field.phone.execute_cdp_cmd("Emulation.setTimezoneOverride", {"timezoneId": "America/Boise"})
    try:
        field.open()
        assert "Sat 06:50\nat field, 22:50 here" in body(field.phone)
    finally:
        field.phone.execute_cdp_cmd("Emulation.setTimezoneOverride", {"timezoneId": "Europe/Oslo"})


def test_a_home_screen_finds_an_icon_and_a_window_of_its_own(field: Field) -> None:
    field.page.show(samples.heating())
    field.open()
    wait_for(field.phone, lambda: field.phone.find_elements(By.CSS_SELECTOR, "link[rel=manifest]"))
    found = field.phone.execute_async_script(
        "const done = arguments[0]; fetch(document.querySelector('link[rel=manifest]').href)"
        ".then(a => a.json()).then(async m => {"
        " const icons = await Promise.all(m.icons.map(i => fetch(i.src)));"
        " done([m.name, m.display, icons.map(i => i.status)]); }, e => done(String(e)));"
    )
    assert found == ["Magpie", "standalone", [200, 200]]
    errors = field.phone.execute_cdp_cmd("Page.getAppManifest", {})["errors"]
    assert errors == []


def keep_page(field: Field) -> None:
    """Load it, and wait until its worker has it."""
    field.open()
    wait_for(field.phone, lambda: field.phone.execute_script("return !!navigator.serviceWorker.controller"))
    wait_for(
        field.phone,
        lambda: field.phone.execute_async_script(
            "const done = arguments[0];"
            "caches.open('now-1').then(c => c.keys()).then(k => done(k.length >= 3), () => done(false));"
        ),
    )


def test_over_plain_http_there_is_no_worker_and_nothing_is_promised(field: Field) -> None:
    if field.secure:
        pytest.skip("of plain HTTP")
    field.page.show(samples.heating())
    field.open()
    assert field.phone.execute_script("return [isSecureContext, 'serviceWorker' in navigator]") == [
        False,
        False,
    ]
    assert "offline" not in body(field.phone)


def test_over_https_the_last_state_is_kept_and_never_calls_it_ready(field: Field) -> None:
    if not field.secure:
        pytest.skip("of HTTPS")
    field.page.show(samples.ready())
    keep_page(field)
    field.open()
    assert "Ready to start" in body(field.phone)
    field.page.stop()
    field.open()
    said = body(field.phone)
    assert "No contact since 06:50." in said
    assert "14 °C" in said
    for word in ("Ready", "ready to", "above target until"):
        assert word not in said
    assert field.phone.execute_script("return getComputedStyle(document.body).fontSize") == "17px"
    age_kept_page(field.phone, 31)
    field.open()
    said = body(field.phone)
    assert "No contact since 06:50." in said
    assert "count the engine as cold" in said
    assert "°C" not in said


def age_kept_page(phone: webdriver.Chrome, minutes: float) -> None:
    """Make what the worker keeps that much older."""
    phone.execute_async_script(
        "const [minutes, done] = arguments; caches.open('now-1').then(async c => {"
        " const kept = await c.match('/'), headers = new Headers(kept.headers);"
        " headers.set('X-Kept-At', String(Number(headers.get('X-Kept-At')) - minutes * 60000));"
        " await c.put('/', new Response(await kept.text(), {headers})); done(); });",
        minutes,
    )


def test_a_worker_asks_first(field: Field) -> None:
    if not field.secure:
        pytest.skip("of HTTPS")
    field.page.show(samples.heating())
    keep_page(field)
    field.page.show(samples.above_target())
    field.open()
    assert "Coldest point above target" in body(field.phone)


def test_a_kept_page_is_followed_as_soon_as_the_board_answers(field: Field) -> None:
    if not field.secure:
        pytest.skip("of HTTPS")
    field.page.show(samples.ready())
    keep_page(field)
    field.page.open.clear()
    field.open()  # the worker gives up asking after eight seconds
    assert "No contact since 06:50." in body(field.phone)
    field.page.open.set()
    wait_for(field.phone, lambda: "Ready to start" in body(field.phone))
