"""What the air to come rests on, and what weather was heard."""

from __future__ import annotations

from probe_agent.readings import Weather
from probe_agent.status import AirNow, FrostNow, utc_seconds
from probe_agent.words.parts import Unit, capital, moment, temperature

_WEATHER = {
    "hourly": "the hourly forecast",
    "metar": "the METAR",
    "topic": "the weather on the broker",
    "typed": "what was typed in",
}


_KNOTS = 3600 / 1852
"""In a meter a second: the international nautical mile has 1852 m."""


def wind(m_s: float | None) -> str | None:
    """The wind told for now, at the station it was told for; None where none was. m_s: [m/s]."""
    return None if m_s is None else f"Wind told for now: {m_s * _KNOTS:.0f} kt ({m_s:.0f} m/s)."


def air_basis(air: AirNow, zone: str, now_at: float) -> str:
    """What the air to come rests on, in a sentence. now_at: UTC [s]."""
    source = _WEATHER.get(air.source or "", "the weather")
    if air.rests_on == "forecast" and air.issued and air.reaches:
        issued, reaches = (moment(utc_seconds(text), zone, now_at) for text in (air.issued, air.reaches))
        hours = round((now_at - utc_seconds(air.issued)) / 3600)
        old = f", {hours} h old and so with a wider range" if air.old else ""
        return f"The air to come rests on {source} of {issued}{old}; it reaches until {reaches}."
    if air.rests_on == "observed" and air.reaches:
        at = moment(utc_seconds(air.reaches), zone, now_at)
        return f"The air to come is a guess from {source} of {at}, with a wide range."
    if air.rests_on == "own-air":
        return "The air to come is a guess from the air measured at the aircraft, with a wide range."
    return "Neither weather nor the air at the aircraft is known; the air to come is a wide guess."


def air_missing(air: AirNow, zone: str, now_at: float) -> str | None:
    """Word of weather that should be there and is not, or is old; None where all is well."""
    if air.rests_on == "forecast":
        return air_basis(air, zone, now_at) if air.old else None
    if air.source is None or air.issued is None:
        return f"No weather has been heard yet. {air_basis(air, zone, now_at)}" if air.wanted else None
    if air.source == "typed" or (air.source == "metar" and not air.old):
        return None
    heard = moment(utc_seconds(air.issued), zone, now_at)
    return f"The last weather heard, of {heard}, can't be used any more. {air_basis(air, zone, now_at)}"


def weather_heard(weather: Weather, zone: str, now_at: float, unit: Unit = "C") -> str:
    """What a source said last, and how old that is."""
    told = weather.reaches_at > weather.issued_at
    nearest = min(weather.hours, key=lambda h: abs(h.at - now_at))
    air = temperature(nearest.air_c, unit)
    wind = "" if nearest.wind_m_s is None else f", wind {nearest.wind_m_s:.0f} m/s"
    until = f"; it reaches until {moment(weather.reaches_at, zone, now_at)}" if told else ""
    made = moment(weather.issued_at, zone, now_at)
    age_min = max(0.0, now_at - weather.issued_at) / 60
    age = f"{age_min:.0f} min" if age_min < 120 else f"{age_min / 60:.0f} h"
    name = capital(_WEATHER.get(weather.source, "the weather"))
    return f"{name}, of {made} ({age} ago): {air} at {moment(nearest.at, zone, now_at)}{wind}{until}."


def weather_taken(weather: Weather, zone: str, now_at: float) -> str:
    """Answer to weather a person told."""
    last = weather.hours[-1]
    at = moment(last.at, zone, now_at)
    if weather.source == "typed":
        return f"Noted: down to {temperature(last.air_c)} by {at}. It counts before other weather until then."
    return f"Noted: {temperature(last.air_c)} at {at}."


def frost(found: FrostNow | None, zone: str, now_at: float, unit: Unit = "C") -> str:
    """Frost or dew on the aircraft in the time to come, in a sentence or two."""
    if found is None or found.kind == "unknown":
        return "Frost on the aircraft: not known, no weather with a dew point is heard. Look before you fly."
    if found.kind == "roof":
        return "Frost on the aircraft isn't worked out for one that stands in a hangar. Look before you fly."
    until = "" if found.until is None else f" until {moment(utc_seconds(found.until), zone, now_at)}"
    if found.kind == "none" or found.at is None:
        return f"Frost or dew on the aircraft: not expected{until}, by the weather told. Look before you fly."
    at = moment(utc_seconds(found.at), zone, now_at)
    name = "Frost" if found.kind == "frost" else "Dew"
    how = "likely" if found.sure else "possible if the sky is clear and calm"
    skin, point = temperature(found.skin_c, unit), temperature(found.point_c, unit)
    below = "frost point" if (found.point_c or 0.0) < 0 else "dew point"
    said = f"{name} on the aircraft {how} from {at}: skin about {skin}, at or under the {below} of {point}."
    return f"{said} Look before you fly."
