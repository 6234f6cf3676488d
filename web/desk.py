"""What pages in files of their own share with app.py."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from flask import Response

from probe_agent.config import Settings
from probe_agent.words import Unit
from web.acts import Commander
from web.source import StatusSource

NO_NUMBER = "The form came without its number. Press again."


@dataclass(frozen=True, slots=True)
class Desk:
    """What these pages share with the others. respond: values, template and code → the answer; refusal: why
    a command of that kind isn't taken of this request, None where it is; form_number: of the form sent."""

    source: StatusSource
    store_path: Path
    settings: Settings
    commander: Commander
    respond: Callable[[dict[str, Any], str, int], Response]
    refusal: Callable[[str], str | None]
    form_number: Callable[[], str | None]
    unit: Callable[[], Unit]
