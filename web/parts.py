"""The parts of the page Now, and which of them an open page doesn't have yet.

A part is an element right inside #now whose tag begins a line with an id that begins with "part-".
"""

from __future__ import annotations

import re
import threading
from collections import OrderedDict
from hashlib import sha256

_BEGINS = re.compile(r'^<(?:section|p|div) id="(part-[\w-]+)"', re.M)
_OF_THE_FORM = re.compile(r'name="(?:once|token)" value="[^"]*"')
FROM, TO = '<div id="now"', "<!--/now-->"
REMEMBERED = 64


class Parts:
    """Remembers what it gave out under which tag, so that an open page is sent only what has changed. What it
    doesn't remember is sent whole."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._given: OrderedDict[str, dict[str, bytes]] = OrderedDict()

    def remember(self, tag: str, html: str) -> None:
        """Keep what a page with that tag was given."""
        _, parts = split(html)
        with self._lock:
            self._given[tag] = {name: _print(part) for name, part in parts}
            while len(self._given) > REMEMBERED:
                self._given.popitem(last=False)

    def news(self, html: str, had: str) -> str:
        """#now with those parts alone that a page of the tag `had` hasn't; data-parts names all, in order."""
        with self._lock:
            given = self._given.get(had, {})
        head, parts = split(html)
        fresh = "".join(part for name, part in parts if given.get(name) != _print(part))
        names = " ".join(name for name, _ in parts)
        return f'{head.rstrip()[:-1]} data-parts="{names}">{fresh}</div>'


def split(html: str) -> tuple[str, list[tuple[str, str]]]:
    """#now's opening tag, and its parts as (id, markup) in their order."""
    inside = html[html.index(FROM) : html.index(TO)].rstrip().removesuffix("</div>")
    begins = list(_BEGINS.finditer(inside))
    ends = [b.start() for b in begins[1:]] + [len(inside)]
    head = inside[: begins[0].start()] if begins else inside
    return head, [(b[1], inside[b.start() : end]) for b, end in zip(begins, ends, strict=True)]


def _print(part: str) -> bytes:
    """The same as long as the part says the same; a form's own numbers don't count, nor what is inside a part
    that is fetched by itself (data-own)."""
    if " data-own>" in part[: part.index(">") + 1]:
        return b""
    return sha256(_OF_THE_FORM.sub("", part).encode()).digest()[:8]
