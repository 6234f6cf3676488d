"""What settings and rows mean to the physics; daemon and replay both ask here, so their forecasts agree."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from probe_agent.config import NEVER_COLDEST, Settings
from probe_agent.readings import Observation
from probe_agent.thermal.prior import GENERIC, Prior, are_of_an_engine, engine_prior, untold_engine_prior


def observation_of(
    t_s: float,
    values_c: Mapping[str, float | None],
    ambient_c: float | None = None,
    heater: float | None = None,
    sigma_c: Mapping[str, float] | None = None,
) -> Observation:
    """One row as the physics sees it: places without a value left out, those it can't use too."""
    seen = {p: v for p, v in values_c.items() if v is not None and p not in NEVER_COLDEST}
    return Observation(t_s, seen, ambient_c, heater, dict(sigma_c or {}))


def physics_places(places: Iterable[str]) -> tuple[str, ...]:
    """The places whose temperature the heat balance uses."""
    return tuple(p for p in places if p not in NEVER_COLDEST)


def prior_of(settings: Settings | None, places: Iterable[str]) -> Prior:
    """The engine's prior where settings describe a setup; else that of an untold one where the places are
    an engine's, and the generic one where they aren't."""
    if settings is None or settings.setup is None:
        if not are_of_an_engine(tuple(places)):
            return GENERIC
        return untold_engine_prior()
    setup = settings.setup
    return engine_prior(
        settings.aircraft.layout,
        settings.aircraft.cooling,
        setup.heater,
        setup.watts,
        setup.cover,
        setup.cowl_plugs,
        setup.stands,
        physics_places(p.name for p in settings.places),
        tuple(p.name for p in settings.places if p.near_heater),
    )
