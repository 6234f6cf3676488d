"""The page Why: clearance and oil of this engine now."""

from __future__ import annotations

from flask import Response

from probe_agent import words
from web.desk import Desk


class WhyPage:
    """What stands behind the route of app.py, loaded when it is first asked for."""

    def __init__(self, desk: Desk) -> None:
        self.desk = desk

    def show(self) -> Response:
        """Clearance and oil; of old values nothing."""
        values = self.desk.values()
        status, unit, view = values["status"], values["unit"], values["view"]
        now = status.why if status and not values["old"] else None
        values |= {
            "measured": f"Measured {view.at}." if view and now else "",
            "clearance": words.clearance(now, unit) if now else [words.NOT_NOW],
            "oil": words.oil(now, unit) if now else [words.NOT_NOW],
            "both": words.BOTH,
            "clearance_source": words.CLEARANCE_SOURCE,
            "viscosity_source": words.VISCOSITY_SOURCE,
            "no_claim": words.NO_CLAIM,
        }
        return self.desk.respond(values, "why.html")
