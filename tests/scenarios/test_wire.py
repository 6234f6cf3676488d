"""The daemon on a 1-Wire tree as the kernel writes it: settings to store and status document."""

from __future__ import annotations

import sqlite3
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent))

from real_daemon import Process, status_in
from sysfs_tree import W1Tree, converter, thermometer

from probe_agent.cli import example_settings


def test_probes_on_the_bus_come_to_store_and_page(tmp_path: Path) -> None:
    tree = W1Tree(tmp_path / "w1")
    text = example_settings()
    for line in (
        ("/sys/bus/w1/devices", str(tree.directory)),
        ("/var/lib/probe-agent", str(tmp_path)),
        ("/run/probe-agent", str(tmp_path)),
        ("interval_s = 15", "interval_s = 5"),
    ):
        assert line[0] in text
        text = text.replace(*line)
    (tmp_path / "settings.toml").write_text(text, "utf-8")
    addresses = {f"cyl-{n}": f"3b-0c98000000a{n + 1}" for n in (1, 2, 3, 4)}
    for address in addresses.values():
        tree.put(address, converter(-18.25, 20.0))  # true −20.08 °C: facts of the straight line, ITS-90
    tree.put("3b-0c98000000a1", converter(-12.0, -12.0))
    tree.put("3b-0c98000000a6", converter(-12.0, -12.0))
    tree.put("3b-0c98000000a7", converter(25.0, -12.0, faults=1))
    tree.put("28-0316a2795bff", thermometer(-10.125))
    with Process(
        "probe_agent.cli", "run", "--settings", str(tmp_path / "settings.toml"), log=tmp_path / "log"
    ) as daemon:
        daemon.wait_for(lambda: status_in(tmp_path) is not None)
        status = status_in(tmp_path)
        assert status is not None
        shown = {p.place: p for p in status.probes}
        assert shown["cyl-1"].c == -20.08
        assert shown["ambient"].c == -10.12 or shown["ambient"].c == -10.13
        assert (shown["case-nose"].c, shown["case-nose"].status) == (None, "open")
        assert status.state == "probe-missing"
        assert status.missing == ("case-nose",)
        assert daemon.end() == 0
    db = sqlite3.connect(tmp_path / "probe-agent.db")
    rows = {
        place: rest
        for place, *rest in db.execute(
            "SELECT place, raw_c, cold_c, value_c, fault FROM readings_utc LIMIT 8"
        )
    }
    db.close()
    assert rows["cyl-2"] == [-18.25, 20.0, -20.082, None]
    assert rows["case-nose"] == [None, -12.0, None, "open"]
    assert rows["ambient"] == [-10.125, None, -10.125, None]
