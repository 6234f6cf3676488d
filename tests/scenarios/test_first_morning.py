"""A whole morning in seconds: settings, the real daemon on the simulated engine, a real broker, a real
mail receiver, the real page."""

from __future__ import annotations

import json
import sqlite3
import sys
import urllib.request
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent))

from homie_rules import complaints
from real_broker import RealBroker, Recorder, free_port
from real_daemon import Process, status_in, write_settings
from real_mail import MailReceiver

SPEED = 500


def test_from_a_cold_engine_to_ready_and_the_reminder(tmp_path: Path) -> None:
    page_port = free_port()
    with RealBroker(tmp_path) as broker, MailReceiver() as post, Recorder(broker.port) as recorder:
        settings = write_settings(
            tmp_path,
            f"""
[broker]
host = "127.0.0.1"
port = {broker.port}
[[recipients]]
name = "pilot"
address = "{post.address()}"
""",
        )
        arguments = ("--settings", str(settings))
        with (
            Process(
                "probe_agent.cli", "try", *arguments, "--speed", str(SPEED), log=tmp_path / "d.log"
            ) as daemon,
            Process("web.serve", *arguments, "--port", str(page_port), log=tmp_path / "p.log") as page,
        ):
            seen: list[str] = []

            def ready() -> bool:
                status = status_in(tmp_path)
                if status is not None and (not seen or seen[-1] != status.state):
                    seen.append(status.state)
                return seen[-1:] == ["ready"]

            daemon.wait_for(ready)
            assert seen == ["cold", "heating", "above-target", "ready"]
            page.wait_for(lambda: answers(page_port))
            shown = json.loads(fetch(page_port, "/api/status"))
            assert shown["state"] == "ready"
            assert shown["v"] == 1
            assert shown["core_c"][0] <= shown["core_c"][1] <= shown["core_c"][2]
            assert "Ready to start" in fetch(page_port, "/").decode()
            subjects = [post.next_mail(60).subject for _ in range(4)]
            assert subjects.pop(0) == "Magpie: test message, please answer"
            assert "coldest point above target, " in subjects[0]
            assert "ready to start" in subjects[1]
            assert subjects[2].startswith("Magpie: switch the heater off")
            recorder.wait_for_message("homie/5/magpie/engine/state", b"ready")
            assert daemon.end() == 0
        recorder.wait_for_message("homie/5/magpie/$state", b"disconnected")
        assert complaints([m for m in recorder.stream if m.topic.startswith("homie/")]) == []
        document = json.loads(recorder.retained()["probe-agent/magpie/status"])
        assert document["v"] == 1
        assert len(recorder.retained()["probe-agent/magpie/status"]) <= 16_000
    db = sqlite3.connect(tmp_path / "probe-agent.db")
    kept = db.execute("SELECT count(above), count(ready) FROM heatups_utc").fetchone()
    undelivered = db.execute("SELECT count(*) FROM outbox WHERE delivered_at IS NULL").fetchone()
    db.close()
    assert kept == (1, 1)
    assert undelivered == (0,)


def fetch(port: int, path: str) -> bytes:
    with urllib.request.urlopen(f"http://127.0.0.1:{port}{path}", timeout=10) as answer:
        body: bytes = answer.read()
        return body


def answers(port: int) -> bool:
    try:
        return bool(fetch(port, "/api/status"))
    except OSError:
        return False
