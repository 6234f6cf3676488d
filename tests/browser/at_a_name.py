"""The page at a name that isn't this machine's own, as phones reach it: over plain HTTP, and over HTTPS with
an authority in the browser's own store. A browser's certificate errors are never ignored here."""

from __future__ import annotations

import os
import shutil
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from real_https import Authority
from selenium import webdriver
from selenium.webdriver.chrome.service import Service
from selenium.webdriver.common.by import By
from tls_proxy import Proxy, TlsProxy

from probe_agent import pairing
from probe_agent.store import Batch, Store, begin_session, offer_code

from .conftest import FLAGS, ServedPage
from .test_page_on_a_phone import wait_for

NAME = "hangar.example"
SESSION = "a-token-as-the-page-makes-one"
Way = Literal["http", "https", "plain"]
"""http: asked directly, from this machine; https: through a proxy; plain: plain HTTP from a private address,
from which the owner lets phones answer."""
SERVED: dict[Way, dict[str, Any]] = {
    "http": {},
    "https": {"proxy": "127.0.0.1"},
    "plain": {"proxy": "127.0.0.1", "plain_acts": True},
}
"""How ServedPage is to be set up for it."""


def start_trusting(authority: Authority, home: Path) -> webdriver.Chrome:
    """A Chromium the size of a small phone whose own store has the authority, and which finds the name
    here; its workers allowed."""
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
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
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
    browser.execute_cdp_cmd("Emulation.setTouchEmulationEnabled", {"enabled": True})
    browser.execute_cdp_cmd("Emulation.setTimezoneOverride", {"timezoneId": "Europe/Oslo"})
    return browser


@dataclass
class Field:
    """The page at the field as a phone reaches it. proxy: what stands between, None where nothing does."""

    page: ServedPage
    url: str
    phone: webdriver.Chrome
    way: Way
    proxy: Proxy | None

    @property
    def secure(self) -> bool:
        return self.way == "https"

    def at(self, path: str) -> str:
        return f"{self.url}{path.lstrip('/')}{'&' if '?' in path else '?'}unit=C&clock=24"

    def open(self, path: str = "/") -> None:
        self.phone.get(self.at(path))
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

    def cut(self) -> None:
        """No network between phone and board any more."""
        assert self.proxy is not None
        self.proxy.cut()

    def restore(self) -> None:
        assert self.proxy is not None
        self.proxy.restore()

    def pair(self, store: Store | None = None) -> None:
        """As after typing the owner's code, as far as this way lets a phone act."""
        now_at = time.time()
        store = store or self.page.daemon.store
        role: Literal["owner", "answers"] = "owner" if self.secure else "answers"
        store.commit(Batch(statements=offer_code(role, b"salt", b"sealed", now_at, now_at + 900)))
        hashed = pairing.token_hash(SESSION)
        store.commit(Batch(statements=begin_session(1, role, "phone", hashed, now_at, now_at + 9000)))
        name = "__Host-session" if self.secure else "session"
        cookie = {"name": name, "value": SESSION, "url": self.url, "path": "/", "secure": self.secure}
        assert self.phone.execute_cdp_cmd("Network.setCookie", cookie)["success"]


@contextmanager
def reached(page: ServedPage, way: Way, phone: webdriver.Chrome, authority: Authority) -> Iterator[Field]:
    """That page by its name; nothing is kept from a page before."""
    phone.execute_cdp_cmd("Network.clearBrowserCookies", {})
    try:
        if way == "http":
            yield Field(page, f"http://{NAME}:{page.port}/", phone, way, None)
        else:
            certificate = authority.certificate(NAME) if way == "https" else None
            between = TlsProxy(page.folder, page.port, certificate) if certificate else Proxy(page.port)
            with between as proxy:
                yield Field(page, f"{proxy.scheme}://{NAME}:{proxy.port}/", phone, way, proxy)
                phone.get("about:blank")  # its worker asks for nothing more
    finally:
        phone.get("about:blank")
        phone.get_log("browser")  # what the test has left
