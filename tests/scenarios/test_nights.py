"""Nights of one aircraft, from settings to mail and topics."""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent))

from nights import Night

from probe_agent.engine_sim import Happening

ON, OFF = Happening.HEATER_ON, Happening.HEATER_OFF
LOOK = 'morning_look = "05:50"'


def test_an_ordinary_morning(tmp_path: Path) -> None:
    heat = [("05:00", ON, ""), ("06:55", OFF, "")]
    with Night(tmp_path, "04:45", heat, messages=LOOK, departure="07:15", most=4) as night:
        night.until("07:00")
        for m in night.mails:
            print(m.subject, "|", m.text)
        print(night.status().verdict, night.sql("select * from transitions"))
    assert 0
