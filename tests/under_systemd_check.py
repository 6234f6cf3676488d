"""Looks at daemon and page from beside them, under the systemd of under_systemd.sh: what it saw, in JSON.

python under_systemd_check.py FILE
"""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
import threading
import time
import urllib.parse
import urllib.request
from collections.abc import Callable
from pathlib import Path

DAEMON, PAGE = "probe-agent", "probe-agent-web"
STATUS = Path("/run/probe-agent/status.json")
BROWSER = urllib.request.build_opener(urllib.request.HTTPCookieProcessor())
PAGES = ("/", "/api/status", "/hand", "/record", "/why", "/curves", "/calibrate")


def shown(unit: str, key: str) -> str:
    command = ["systemctl", "show", unit, f"-p{key}", "--value"]
    return subprocess.run(command, capture_output=True, text=True, check=True).stdout.strip()


def took_s(true: Callable[[], bool], timeout_s: float = 60.0) -> float | None:
    """How long it took until that held [s]; None where it never did."""
    began_s, pause = time.monotonic(), threading.Event()
    while not true():
        if time.monotonic() - began_s > timeout_s:
            return None
        pause.wait(0.1)
    return round(time.monotonic() - began_s, 1)


def fetched(path: str, form: dict[str, str] | None = None) -> str:
    body = None if form is None else urllib.parse.urlencode(form).encode()
    with BROWSER.open(f"http://127.0.0.1:8088{path}", body, timeout=30) as answer:
        text: str = answer.read().decode()
        return text


def is_up(unit: str) -> bool:
    return shown(unit, "ActiveState") == "active"


def answers() -> bool:
    try:
        return bool(fetched("/api/status"))
    except OSError:
        return False


def enter() -> str:
    """A reading by hand, entered on the page."""
    token = re.search(r'name="token" value="([^"]+)"', fetched("/hand"))
    assert token is not None
    form = {"token": token[1], "once": "Abcdefghijklmnop", "place": "cyl-1", "value": "5", "unit": "C"}
    return fetched("/act/hand-reading", {**form, "when": "now", "method": "contact", "sure": "yes"})


def stop_by_force(seen: dict[str, object]) -> None:
    """SIGSTOP of the whole daemon: nothing kicks any more."""
    old = shown(DAEMON, "MainPID")
    os.kill(int(old), signal.SIGSTOP)
    seen["new process after s"] = took_s(lambda: shown(DAEMON, "MainPID") not in ("0", old), 90)
    seen["up again after s"] = took_s(lambda: is_up(DAEMON), 90)


def look(seen: dict[str, object]) -> None:
    seen["up after s"] = took_s(lambda: is_up(DAEMON))
    seen["page after s"] = took_s(answers)
    seen["said"] = shown(DAEMON, "StatusText")
    seen["bulk"] = Path("/sys/devices/w1_bus_master1/therm_bulk_read").read_text("ascii").strip()
    seen["pages"] = {path: len(fetched(path)) for path in PAGES}
    seen["kept"] = "Kept:" in enter()
    for unit in (DAEMON, PAGE):
        text = Path(f"/proc/{shown(unit, 'MainPID')}/status").read_text("ascii")
        seen[unit] = dict(re.findall(r"^(Uid|Gid|CapBnd|NoNewPrivs|Seccomp):\t(\w+)", text, re.M))
    stop_by_force(seen)
    began_s = time.monotonic()
    subprocess.run(["systemctl", "stop", DAEMON], check=True)
    seen["stopped after s"] = round(time.monotonic() - began_s, 1)
    seen["last word stays"] = STATUS.exists()
    seen["old after s"] = took_s(lambda: 'class="now is-old"' in fetched("/"), 90)


if __name__ == "__main__":
    what: dict[str, object] = {}
    try:
        look(what)
    finally:
        Path(sys.argv[1]).write_text(json.dumps(what), "utf-8")
        subprocess.run(["systemctl", "exit", "--force", "--force"], check=False)
