"""What holds for every text the product sends, whatever the facts (reference: the owner's rules of words).

`complaints(subject, body)` is empty for a text that keeps to the rules. `budget_complaints` looks at all
texts of a night.
"""

from __future__ import annotations

import re
from collections.abc import Iterable

from probe_agent import words

SUBJECT, BODY = 50, 450
ORDINARY, SCENARIO = 4, 8
"""Most messages of an ordinary morning and of any night, repeats for harm apart."""

NOBODY_SAYS = re.compile(
    r"\b(safe(ly)?|ok|okay|engine (is )?warm|warmed up|no problem|don't worry|all good)\b", re.IGNORECASE
)
_SYMBOL = re.compile(r"[^\w\s.,;:()'\"?%-]")
_BARE_MINUS = re.compile(r"[−–]|(?<![\w\d])-\d")
_HEAD = re.compile(r"(Mon|Tue|Wed|Thu|Fri|Sat|Sun) ([01]\d|2[0-3]):[0-5]\d\. ")
_LINK = re.compile(r"https://\S+/answer/\S+\Z")
_STATE = re.compile(
    r"warming|target|ready|cold|heat|cool|measured|points lost|board is back|too hot|late|start|test message|"
    r"engine runs"
)
_VALUE = re.compile(
    r"\d °[CF] ?[(;,.]|\d °[CF]\b|[Cc]oldest point unknown|no value|Not measured|: its |: it "
)
_ACTION = re.compile(
    r"\b(Have|Switch|switch|Leave|Let|Start|Add|Open|open|Nothing to do|Look|look at|measure|Heat again|"
    r"Unplugged|type|Before the start|press)\b"
)
_HOLDS = re.compile(r"\b(until|holds?|while)\b|nothing is known", re.IGNORECASE)
_NEXT = re.compile(r"\b[Nn]ext (word|test)\b|\bI ask again, next at (\w{3} )?(\d+ \w{3} )?\d\d:\d\d")
_ABSENCE = re.compile(r"\bif (none|no word) comes\b|\bsilence proves nothing\b")


def complaints(subject: str, body: str, aircraft: str = "Magpie") -> list[str]:
    """What a text has against the rules, a clause each."""
    text, link = _parted(body)
    out = [*_of_lengths(subject, body), *_of_wording(subject, text)]
    begins = subject.partition(": ")[0]
    if not aircraft.startswith(begins) and ": " in subject:
        out.append(f"the subject does not begin with the aircraft: {subject}")
    rules = (
        (_STATE.search(subject), "the subject names no state"),
        (_HEAD.match(text), "no weekday and time of measurement at its head"),
        (_VALUE.search(text), "no value, nor that it is unknown"),
        (_ACTION.search(text), "no next action"),
        (_HOLDS.search(text), "not said until when it holds"),
        (_NEXT.search(text), "no next word"),
        (_ABSENCE.search(text), "not said what silence means"),
        (text.endswith("."), "it ends in the middle"),
        (not link or _LINK.search(link), f"the last line is no link: {link}"),
    )
    return out + [f"{why}: {subject} | {body}" for holds, why in rules if not holds]


def _parted(body: str) -> tuple[str, str]:
    """The text, and the line with its link."""
    text, _, link = body.partition("\n")
    return text, link


def _of_lengths(subject: str, body: str) -> Iterable[str]:
    if not 0 < len(subject) <= SUBJECT:
        yield f"the subject has {len(subject)} characters: {subject}"
    if not 0 < len(body) <= BODY:
        yield f"the body has {len(body)} characters: {body}"


def _of_wording(subject: str, text: str) -> Iterable[str]:
    for part in (subject, text):
        if found := NOBODY_SAYS.search(part):
            yield f"nobody says {found[0]!r}: {part}"
        if found := _SYMBOL.search(re.sub(r" °[CF](?=\W|$)", "", part)):
            yield f"a symbol {found[0]!r}: {part}"
        if _BARE_MINUS.search(part):
            yield f"a minus that is no word: {part}"
        if "None" in part or "  " in part or "\n" in part or ".." in part or " ." in part:
            yield f"a hole in the text: {part}"


def budget_complaints(subjects: Iterable[str], repeats: int = 0, most: int = SCENARIO) -> list[str]:
    """What the number of one recipient's messages has against the budget; tests are apart, and `repeats`
    of alerts for harm."""
    counted = [s for s in subjects if "test message" not in s]
    if len(counted) - repeats > most:
        return [f"{len(counted)} messages less {repeats} repeats, more than {most}: {counted}"]
    return []


assert words.SUBJECT == SUBJECT
assert words.BODY == BODY
