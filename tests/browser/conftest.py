"""A page on a port of its own, and a Chromium the size of a small phone."""

from __future__ import annotations

import contextlib
import shutil
import threading
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import Any

import msgspec
import pytest
from answering_daemon import AnsweringDaemon
from real_https import Authority
from selenium import webdriver
from selenium.webdriver.chrome.service import Service
from waitress import create_server, wasyncore

from probe_agent.config import Settings, parse_settings
from probe_agent.status import Status, write_status
from web.app import create_app
from web.source import FileStatusSource

EXAMPLE = Path(__file__).parents[2] / "deploy" / "example.toml"
FLAGS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--lang=en-GB",
)


class ServedPage:
    """The page behind waitress, on a folder with a status file and a store. daemon: who answers; None where
    a test has a heart of its own, whose settings tell its store."""

    def __init__(
        self,
        folder: Path,
        daemon: AnsweringDaemon | None,
        answer_timeout_s: float = 5.0,
        proxy: str | None = None,
        plain_acts: bool = False,
        settings: Settings | None = None,
    ) -> None:
        self.folder, self._daemon = folder, daemon
        store = Path(settings.store.file) if settings else folder / "store.db"
        settings = settings or parse_settings(EXAMPLE.read_bytes(), EXAMPLE.name)
        reached = msgspec.structs.replace(settings.page, proxy=proxy, plain_acts=plain_acts)
        settings = msgspec.structs.replace(settings, page=reached)
        app = create_app(FileStatusSource(folder / "status.json"), store, settings, answer_timeout_s)
        self.open = threading.Event()
        """While it is not set, nobody gets an answer."""
        self.open.set()
        self.asked: list[str] = []
        self._server: Any = create_server(
            self._through(app), host="127.0.0.1", port=0, threads=4, clear_untrusted_proxy_headers=False
        )
        self.port: int = self._server.effective_port
        self._thread = threading.Thread(target=self._server.run, name="page")
        self._thread.start()
        self.url = f"http://localhost:{self.port}/?unit=C"

    @property
    def daemon(self) -> AnsweringDaemon:
        assert self._daemon is not None
        return self._daemon

    def _through(self, app: Any) -> Callable[[dict[str, Any], Any], Iterable[bytes]]:
        def answer(environ: dict[str, Any], start: Any) -> Iterable[bytes]:
            self.asked.append(environ["PATH_INFO"])
            self.open.wait(20)
            return app(environ, start)  # type: ignore[no-any-return]

        return answer

    def show(self, status: Status) -> None:
        write_status(self.folder / "status.json", status)

    def stop(self) -> None:
        """End the server; an open page gets no answer any more."""
        self.open.set()
        if self._thread.is_alive():
            with contextlib.suppress(OSError):  # the loop may close the trigger before it is pulled
                self._server.trigger.pull_trigger(lambda: wasyncore.close_all(self._server._map))
            self._thread.join()
            self._server.task_dispatcher.shutdown(timeout=10)


@pytest.fixture
def served(tmp_path: Path) -> Iterator[ServedPage]:
    with AnsweringDaemon(tmp_path / "store.db") as daemon:
        page = ServedPage(tmp_path, daemon)
        try:
            yield page
        finally:
            page.stop()


def start_chromium(folder: Path) -> webdriver.Chrome:
    """A browser of its own, its workers allowed."""
    binary, driver = shutil.which("chromium"), shutil.which("chromedriver")
    assert binary, "chromium is needed for these tests: apt-get install chromium"
    assert driver, "chromedriver is needed for these tests: apt-get install chromium-driver"
    options = webdriver.ChromeOptions()
    options.binary_location = binary
    options.accept_insecure_certs = True
    options.add_experimental_option("prefs", {"intl.accept_languages": "en-GB,en"})
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    for flag in (*FLAGS, f"--user-data-dir={folder}"):
        options.add_argument(flag)
    return webdriver.Chrome(options=options, service=Service(driver))


@pytest.fixture(scope="session")
def chromium(tmp_path_factory: pytest.TempPathFactory) -> Iterator[webdriver.Chrome]:
    browser = start_chromium(tmp_path_factory.mktemp("chromium"))
    # a page's worker outlives its test and asks for what is gone; `trusting` is a browser with workers
    no_workers = {"source": "delete Navigator.prototype.serviceWorker"}
    browser.execute_cdp_cmd("Page.addScriptToEvaluateOnNewDocument", no_workers)
    try:
        yield browser
    finally:
        browser.quit()


@pytest.fixture
def phone(chromium: webdriver.Chrome) -> Iterator[webdriver.Chrome]:
    """A screen of 320 by 640 with script on, light, and nothing kept from the test before."""
    chromium.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride",
        {"width": 320, "height": 640, "deviceScaleFactor": 1, "mobile": True},
    )
    chromium.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": False})
    chromium.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": []})
    chromium.execute_cdp_cmd("Network.clearBrowserCookies", {})
    chromium.get_log("browser")  # what the test before has left
    yield chromium
    chromium.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": False})
    chromium.get("about:blank")


@pytest.fixture(scope="session")
def authority(tmp_path_factory: pytest.TempPathFactory) -> Authority:
    return Authority(tmp_path_factory.mktemp("authority"))


@pytest.fixture(scope="session")
def trusting(authority: Authority, tmp_path_factory: pytest.TempPathFactory) -> Iterator[webdriver.Chrome]:
    """A phone that trusts that authority and finds the field's name; at_a_name has more."""
    from .at_a_name import start_trusting

    browser = start_trusting(authority, tmp_path_factory.mktemp("home"))
    try:
        yield browser
    finally:
        browser.quit()
