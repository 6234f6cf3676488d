"""The table to take along, for an owner without signal at the field: from the coldest temperature measured
and the outside air to how long heat takes. Worked out beside the ticks, a row at a time, and kept."""

from __future__ import annotations

import math

import msgspec

from probe_agent import store, words
from probe_agent.by_hand import Answer
from probe_agent.config import Settings
from probe_agent.physics import Physics
from probe_agent.status import Band, TakeAlong, utc_text
from probe_agent.store import Store
from probe_agent.thermal.answers import Outlook, begun_at, warms_in

STARTS_C = (5.0, 0.0, -5.0, -10.0, -15.0, -20.0, -25.0, -30.0)
AIRS_C = (0.0, -10.0, -20.0, -30.0)
"""Whole degrees in °F too."""
_RESTED_C = -10.0


class TakeAlongs:
    """The table of a setup: begun by a command, worked out row by row, kept for viewers and for a restart."""

    def __init__(self, record: Store, settings: Settings, physics: Physics) -> None:
        self._record, self._settings, self._physics = record, settings, physics
        self._at_work: TakeAlong | None = None
        self._outlook: Outlook | None = None

    def begin(self, now_at: float) -> Answer:
        """Begin the table anew, unless it is being worked out already."""
        if self._at_work is not None:
            return True, words.TABLE_AT_WORK
        setup, target_c = self._settings.setup, self._physics.target_c
        starts_c = tuple(c for c in STARTS_C if c < target_c)
        cover, plugs = setup is not None and setup.cover, setup is not None and setup.cowl_plugs
        self._outlook = self._physics.at_rest(_RESTED_C, cover, plugs)
        self._at_work = TakeAlong(
            made=utc_text(now_at),
            setup=setup.name if setup else None,
            heat_ups=self._physics.heat_ups,
            target_c=target_c,
            covered=cover or plugs,
            starts_c=starts_c,
            airs_c=AIRS_C,
            sister=self._physics.sister[1],
        )
        self._keep()
        return True, words.TABLE_AT_WORK

    def step(self) -> bool:
        """Work out the next row; whether there is another one after it."""
        table, outlook = self._at_work, self._outlook
        if table is None or outlook is None:
            return False
        row = tuple(_cell(outlook, table.starts_c[len(table.rows)], air_c) for air_c in table.airs_c)
        self._at_work = msgspec.structs.replace(table, rows=(*table.rows, row))
        self._keep()
        if len(self._at_work.rows) < len(table.starts_c):
            return True
        self._at_work = self._outlook = None
        return False

    def finished(self) -> TakeAlong | None:
        """The table, where it is whole."""
        table = kept_table(self._record.kept(store.TAKE_ALONG))
        return table if table is not None and table.is_whole else None

    def _keep(self) -> None:
        self._record.keep(store.TAKE_ALONG, msgspec.json.encode(self._at_work).decode())


def _cell(outlook: Outlook, start_c: float, air_c: float) -> Band:
    """How long from an evenly cold start in that air [s], 10/50/90 %; None for never."""
    band = warms_in(begun_at(outlook, start_c - _RESTED_C, air_c - _RESTED_C))
    low, middle, high = (round(s) if math.isfinite(s) else None for s in band)
    return low, middle, high


def kept_table(text: str | None) -> TakeAlong | None:
    """A table as it was kept; None where there is none of this version."""
    try:
        return msgspec.json.decode(text or "", type=TakeAlong)
    except msgspec.MsgspecError:
        return None
