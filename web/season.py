"""The page Record: heat-ups of a season, what they took and what settled, laid out."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from flask import Response, make_response, request

from probe_agent import words
from probe_agent.config import Costs
from probe_agent.season import Exposure, HeatupRow, Season, csv_of, season, season_name, seasons_in
from probe_agent.status import MoistureNow
from probe_agent.store import Reader, StoreError
from probe_agent.words import Unit
from web.desk import Desk

Line = tuple[str, str]
"""A name and what stands beside it."""


class SeasonPages:
    """What stands behind the routes of app.py, loaded when one is first asked for."""

    def __init__(self, desk: Desk) -> None:
        self.desk = desk

    def show(self) -> Response:
        """What heating took, what settled and what was flown, a season at a time."""
        values = self.desk.values()
        status = values["status"]
        values |= {"season": None, "empty": words.NOTHING_RECORDED, "notes": status.notes if status else ()}
        values |= {"parked": words.PARKED, "indicator": words.INDICATOR}
        zone, now_at = self.desk.zone(status), self.desk.now_at(status)
        costs = self.desk.settings.costs
        try:
            found, begins = self._read(zone, now_at)
        except (StoreError, sqlite3.Error) as err:
            values["empty"] = f"The record can't be read: {err}"
            return self.desk.respond(values, "record.html", 503)
        if begins:
            moist = status.moisture if status and not values["old"] else None
            values["season"] = present_season(found, begins, costs, moist, zone, now_at, values["unit"])
        return self.desk.respond(values, "record.html")

    def csv(self) -> Response:
        """The heat-ups of a season as CSV."""
        status = self.desk.status()
        try:
            found, _ = self._read(self.desk.zone(status), self.desk.now_at(status))
        except (StoreError, sqlite3.Error):
            return make_response("The record can't be read just now. Try again in a minute.\n", 503)
        response = make_response(csv_of(found, self.desk.settings.costs.price_per_kwh))
        response.mimetype = "text/csv"
        name = f"record-{found.name.replace('/', '-')}.csv"
        response.headers["Content-Disposition"] = f'attachment; filename="{name}"'
        return response

    def _read(self, zone: str, now_at: float) -> tuple[Season, list[float]]:
        """The season that is asked for, else the one at hand, as read_season."""
        asked = request.args.get("season", "")
        at = float(asked) if asked.isascii() and asked.isdigit() and len(asked) <= 11 else now_at
        return read_season(self.desk.store_path, at, zone, self.desk.settings.costs.season_month)


@dataclass(frozen=True, slots=True)
class HeatupView:
    """One heat-up as a row of the table."""

    began: str
    became: str
    heated: str
    energy: str
    cost: str
    kept: str
    water: str


@dataclass(frozen=True, slots=True)
class SeasonView:
    """One season. since: days since a flight with hot oil; now: what settles at this moment; rows: newest
    first; others: (begin [UTC s], name), newest first."""

    name: str
    since: str
    now: str
    totals: tuple[Line, ...]
    moisture: tuple[Line, ...]
    rows: tuple[HeatupView, ...]
    others: tuple[tuple[int, str], ...]
    began_at: int


def read_season(path: Path, at: float, zone: str, month: int) -> tuple[Season, list[float]]:
    """The season an instant [UTC s] lies in, and the begins of all there are, newest first.

    Raises StoreError, sqlite3.Error.
    """
    reader = Reader(path)
    try:
        spells, heatups, outings = reader.spells(), reader.heatup_spans(), reader.outings(100_000)
    finally:
        reader.close()
    return season(spells, heatups, outings, at, zone, month), seasons_in(spells, heatups, zone, month)


def present_season(
    found: Season,
    begins: Sequence[float],
    costs: Costs,
    moisture: MoistureNow | None,
    zone: str,
    now_at: float,
    unit: Unit,
) -> SeasonView:
    """The page of a season. moisture: of this moment, None where it can't be told."""
    return SeasonView(
        name=found.name,
        since=words.days_since(found.days_since_hot(now_at)),
        now=words.moisture_now(moisture, unit),
        totals=_totals(found, costs),
        moisture=_moisture(found),
        rows=tuple(_heatup(row, costs, zone, now_at) for row in reversed(found.rows)),
        others=tuple(
            (int(b), season_name(b, zone, costs.season_month)) for b in begins if b != found.began_at
        ),
        began_at=int(found.began_at),
    )


def _totals(found: Season, costs: Costs) -> tuple[Line, ...]:
    spent = found.spent
    cost = words.cost(spent.cost(costs.price_per_kwh), costs.currency)
    under_way = len(found.rows) - found.flown - found.without - found.unknown
    return (
        ("Heat-ups", str(len(found.rows))),
        ("of them followed by a flight", str(found.flown)),
        ("of them without a flight, or too short a one", str(found.without)),
        ("of them not known", str(found.unknown)),
        *([("of them nothing has come of yet", str(under_way))] if under_way else []),
        ("Flights with hot oil", str(found.hot_flights)),
        ("Ground runs", str(found.ground_runs)),
        ("Heater on", words.hours(spent.heated_s)),
        ("Energy", words.energy(spent.kwh, spent.rests_on, spent.untold_s)),
        ("Cost", cost or "no price is set (price_per_kwh)"),
    )


def _moisture(found: Season) -> tuple[Line, ...]:
    lines = [("Gathered this season", _water(found.gathered)), ("Not cleared", _water(found.standing))]
    lines += [(f"of it from {words.CAUSES[c]}", _water(e)) for c, e in found.standing_by if e.middle >= 0.5]
    if found.unsettled.middle >= 0.5:
        lines.append(("After runs not known to be flights with hot oil, left out", _water(found.unsettled)))
    if found.gathered.unknown_s >= 3600:
        lines.append(("Not known for", words.hours(found.gathered.unknown_s)))
    return tuple(lines)


def _water(e: Exposure) -> str:
    return words.exposure_sum(e.middle, e.low, e.high, e.wet_s)


def _heatup(row: HeatupRow, costs: Costs, zone: str, now_at: float) -> HeatupView:
    spent = row.spent
    became = words.outing_kind(row.kind.value)
    return HeatupView(
        began=words.moment(row.began_at, zone, now_at),
        became=became[:1].upper() + became[1:] + (f"; {words.CLEARED}" if row.cleared else ""),
        heated=words.hours(spent.heated_s),
        energy="not known" if spent.kwh is None else f"{spent.kwh:.1f}\u00a0kWh",
        cost=words.cost(spent.cost(costs.price_per_kwh), costs.currency),
        kept=words.kept_share(row.kept),
        water=words.exposure_short(row.exposure.degree, row.exposure.middle),
    )
