"""The parts of the page Now, and what of them an open page doesn't have yet.

A part is an element right inside #now whose tag begins a line with an id that begins with "part-". Where only
texts and attributes of a part have changed, these alone are sent.
"""

from __future__ import annotations

import json
import re
import threading
from collections import OrderedDict
from html import escape, unescape
from itertools import zip_longest

_BEGINS = re.compile(r'^<(?:section|p|div) id="(part-[\w-]+)"', re.M)
_OF_THE_FORM = re.compile(r'(name="(?:once|token)" value=)"[^"]*"')
_TOKEN = re.compile(r"<(/?)([a-zA-Z][\w-]*)([^>]*)>|([^<]+)")
_ATTRIBUTE = re.compile(r'([\w-]+)(?:="([^"]*)"|=([^\s"/]+))?')
FROM, TO = '<div id="now"', "<!--/now-->"
REMEMBERED = 24

Change = tuple[int, str, str]
"""Which element of the part, in document order, itself 0; the attribute, "" for its text; the value."""


class Parts:
    """Remembers what it gave out under which tag, so that an open page is sent only what has changed. What it
    doesn't remember is sent whole."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._given: OrderedDict[str, dict[str, str]] = OrderedDict()

    def remember(self, tag: str, html: str) -> None:
        """Keep what a page with that tag was given."""
        _, parts = split(html)
        with self._lock:
            self._given[tag] = {name: _plain(part) for name, part in parts}
            while len(self._given) > REMEMBERED:
                self._given.popitem(last=False)

    def news(self, html: str, had: str) -> str:
        """#now with those parts alone that a page of the tag `had` hasn't. data-parts names all, in order,
        where that has changed; data-changes has what changes in a part that stays: {id: [Change…]}."""
        with self._lock:
            given = self._given.get(had, {})
        head, parts = split(html)
        fresh, changed = "", {}
        for name, part in parts:
            found = changes(given[name], _plain(part)) if name in given else None
            if found is None:
                fresh += part
            elif found:
                changed[name] = found
        names = [name for name, _ in parts]
        order = "" if names == list(given) else " ".join(names)
        told = escape(json.dumps(changed, ensure_ascii=False, separators=(",", ":")))
        return f'{head.rstrip()[:-1]} data-parts="{order}" data-changes="{told}">\n{fresh}</div>'


def split(html: str) -> tuple[str, list[tuple[str, str]]]:
    """#now's opening tag, and its parts as (id, markup) in their order."""
    inside = html[html.index(FROM) : html.index(TO)].rstrip().removesuffix("</div>")
    begins = list(_BEGINS.finditer(inside))
    if not begins:
        return inside, []
    ends = [b.start() for b in begins[1:]] + [len(inside)]
    return inside[: begins[0].start()], [
        (b[1], inside[b.start() : end]) for b, end in zip(begins, ends, strict=True)
    ]


def changes(old: str, new: str) -> list[Change] | None:
    """What turns one markup into another of the same elements; None where the elements differ, or a text that
    stands beside elements."""
    out: list[Change] = []
    before, after = _TOKEN.findall(old), _TOKEN.findall(new)
    element = -1
    for i, (was, now) in enumerate(zip_longest(before, after)):
        if was is None or now is None or was[:2] != now[:2] or bool(was[3]) != bool(now[3]):
            return None
        element += bool(now[1]) and not now[0]
        if was == now:
            continue
        found = _text(after, i, element) if now[3] else _attributes(was[2], now[2], element)
        if found is None:
            return None
        out += found
    return out


def _text(tokens: list[tuple[str, str, str, str]], i: int, element: int) -> list[Change] | None:
    """The new text of an element that has nothing else inside."""
    opened, closed = tokens[i - 1], tokens[i + 1] if i + 1 < len(tokens) else tokens[i]
    alone = i > 0 and opened[1] and not opened[0] and closed[0] and opened[1] == closed[1]
    return [(element, "", unescape(tokens[i][3]))] if alone else None


def _attributes(was: str, now: str, element: int) -> list[Change] | None:
    before, after = _told(was), _told(now)
    if list(before) != list(after):
        return None
    return [(element, name, unescape(v)) for name, v in after.items() if before[name] != v]


def _told(text: str) -> dict[str, str]:
    return {m[1]: m[2] or m[3] or "" for m in _ATTRIBUTE.finditer(text)}


def _plain(part: str) -> str:
    """The part without a form's own numbers, and without what is fetched by itself (data-own)."""
    opening = part[: part.index(">") + 1]
    return opening if " data-own>" in opening else _OF_THE_FORM.sub(r'\1""', part)
