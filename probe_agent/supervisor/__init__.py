"""What the readings and the forecast mean: state, transitions, announcements. Pure.

`step` takes the watch so far and one tick's facts and returns the next watch with what happened.
Quick to doubt, slow to trust: a required place without a value ends "above target" at once, and
it is believed again only after two rows in a row.
"""

from probe_agent.supervisor.alerts import START_FORGOTTEN_S, answer_alert, asks_again_s
from probe_agent.supervisor.announcing import LATER_S, expected_ready_s, holds, late_s
from probe_agent.supervisor.points import coldest_of, doubt, less_heater, missing_places
from probe_agent.supervisor.seen import SLACK_C, WORDS_SPAN_S, say_heater, say_oil
from probe_agent.supervisor.state import ready_at
from probe_agent.supervisor.tick import step
from probe_agent.supervisor.watch import (
    PREPARE_S,
    Alert,
    Announcement,
    Facts,
    Missed,
    Rules,
    Step,
    Watch,
    rules_of,
    shifted,
)

__all__ = [
    "LATER_S",
    "PREPARE_S",
    "SLACK_C",
    "START_FORGOTTEN_S",
    "WORDS_SPAN_S",
    "Alert",
    "Announcement",
    "Facts",
    "Missed",
    "Rules",
    "Step",
    "Watch",
    "answer_alert",
    "asks_again_s",
    "coldest_of",
    "doubt",
    "expected_ready_s",
    "holds",
    "late_s",
    "less_heater",
    "missing_places",
    "ready_at",
    "rules_of",
    "say_heater",
    "say_oil",
    "shifted",
    "step",
]
