"""A message of any kind, cut to its size."""

from __future__ import annotations

from collections.abc import Sequence

from probe_agent.status import Status
from probe_agent.words.alerts import ALERT_LETTERS
from probe_agent.words.keeping import KEEPING_LETTERS
from probe_agent.words.letters import LETTERS
from probe_agent.words.parts import About, Part, Unit, capital, now_of, stamp
from probe_agent.words.planning import PLAN_LETTERS
from probe_agent.words.plug import PLUG_LETTERS

SUBJECT = 50
BODY = 450
"""Most characters of a message's subject and body."""


def message(kind: str, status: Status, unit: Unit = "C", about: About | None = None) -> tuple[str, str]:
    """Subject (≤ 50 characters) and body (≤ 450) of a message about an event of that kind.

    The body says when it was measured, the value and its point, what follows, one next action, how long
    it holds, and when the next word comes and what its absence means. Raises ValueError where there is no
    such kind.
    """
    write = _LETTERS.get(kind)
    if write is None:
        raise ValueError(f"no message of kind {kind}")
    about = about or About()
    subjects, parts = write(status, unit, about)
    head = (1, f"{stamp(now_of(status), status.zone)}.")
    link = f"\n{about.link}" if about.link and kind in ANSWERABLE else ""
    return _fit_subject(status.aircraft, subjects), _fit_body([head, *parts], BODY - len(link)) + link


_LETTERS = {**LETTERS, **ALERT_LETTERS, **PLAN_LETTERS, **PLUG_LETTERS, **KEEPING_LETTERS}
KINDS = tuple(_LETTERS)
"""The kinds of messages there are."""
ANSWERABLE = frozenset(
    {
        "attended",
        "switch-off",
        "too-hot",
        "heater-stopped",
        "probe-missing",
        "levelling-off",
        "unplugged",
        "test",
        "too-weak",
        "one-cold",
        "still-warming",
        "no-power",
        "power-unplugged",
        "record-unwritten",
        "record-damaged",
        "card-forgets",
    }
)
"""Those that can be answered, and so may end with a link."""


def _fit_subject(name: str, subjects: Sequence[str]) -> str:
    """The fullest subject that leaves room for the name, or for a fair beginning of it."""
    for subject in subjects:
        room = SUBJECT - len(subject) - 2
        if room >= min(len(name), 8):
            return f"{name[:room].rstrip()}: {subject}"
    return capital(subjects[-1])[:SUBJECT]


def _fit_body(parts: Sequence[Part], room: int) -> str:
    """The sentences in a row; where they are too long, those that matter least go."""
    kept = list(parts)
    while len(text := " ".join(t for _, t in kept)) > room and (least := max(n for n, _ in kept)) > 1:
        kept.remove(next(p for p in reversed(kept) if p[0] == least))
    return text
