"""Now of one board as its document has it, which comes once a minute: laid out by the same hand. Pure."""

from __future__ import annotations

from dataclasses import replace

import msgspec

from probe_agent import words
from probe_agent.status import Status
from probe_agent.words import Unit
from web.club.heard import Board
from web.present import NowView, present_now, run_now
from web.record import CurveView

NEVER_FRESH_S = -1.0
"""As stale_after_s: old from the first second."""


def club_view(board: Board, now_s: float, unit: Unit) -> NowView:
    """The page Now of a board of which a document was heard; now_s: our clock [s]."""
    status = board.status
    assert status is not None
    told = msgspec.structs.replace(status, age_s=_tenths(board.age_s(now_s)))
    standing = board.standing(now_s)
    view = present_now(told, unit)
    now_at = None if told.age_s is None else run_now(told)
    silence = words.since_then(status, "old" if standing == "fresh" else standing, now_at)
    ends = standing in ("lost", "signed-off")
    return replace(
        view,
        old=standing != "fresh",
        stale_after_s=NEVER_FRESH_S if ends else board.limit_s,
        silence=silence,
        plug=None if view.plug is None else replace(view.plug, caution=words.CLUB_CAUTION),
        troubles=(*view.troubles, *board.troubles(now_s)),
    )


def _tenths(age_s: float | None) -> float | None:
    return None if age_s is None else round(age_s, 1)


def curve_of(status: Status) -> CurveView:
    """The curve a document carries: the last hours, thinned."""
    if status.curve is None:
        return CurveView((), (), "The curve didn't fit into what the board wrote.")
    width = len(status.curve.places) + 2
    if any(len(row) != width or row[0] is None for row in status.curve.rows):
        return CurveView((), (), "The curve that came with it can't be read.")
    return CurveView(status.curve.places, status.curve.rows)
