"""A reader's unit and clock: as asked in the address, else as their cookies keep, else by the locale."""

from __future__ import annotations

from flask import Response, request

from probe_agent.words import Clock, Unit
from web.gate import way

UNIT_COOKIE, CLOCK_COOKIE = "unit", "clock"
YEAR_S = 365 * 24 * 3600


def unit() -> Unit:
    """The reader's unit."""
    for said in (request.args.get("unit"), request.cookies.get(UNIT_COOKIE)):
        if said == "C" or said == "F":
            return said  # type: ignore[return-value]
    return "F" if _is_american() else "C"


def clock() -> Clock:
    """The reader's clock."""
    for said in (request.args.get("clock"), request.cookies.get(CLOCK_COOKIE)):
        if said == "12" or said == "24":
            return said  # type: ignore[return-value]
    return "12" if _is_american() else "24"


def keep(response: Response) -> None:
    """What the address asked for is this reader's from now on."""
    for asked, cookie, kept in (("unit", UNIT_COOKIE, unit()), ("clock", CLOCK_COOKIE, clock())):
        if request.args.get(asked) == kept:
            response.set_cookie(
                cookie, kept, max_age=YEAR_S, samesite="Lax", httponly=True, secure=way().https
            )


def _is_american() -> bool:
    """Whether the browser asks for American English first."""
    first = request.headers.get("Accept-Language", "").split(",")[0].split(";")[0].strip().lower()
    return first == "en-us"
