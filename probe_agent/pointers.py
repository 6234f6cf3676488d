"""JSON pointers (RFC 6901): where in a document a value is."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any


def pointed(document: object, pointer: str) -> object:
    """The value a JSON pointer leads to. Raises KeyError with the part that isn't there."""
    value: Any = document
    for part in pointer.split("/")[1:]:
        name = part.replace("~1", "/").replace("~0", "~")
        if isinstance(value, Mapping) and name in value:
            value = value[name]
        elif isinstance(value, list) and re.fullmatch(r"0|[1-9]\d{0,8}", name) and int(name) < len(value):
            value = value[int(name)]
        else:
            raise KeyError(name)
    return value
