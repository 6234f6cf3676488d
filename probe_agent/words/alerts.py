"""Alerts: as sentences, what can be answered to them, and the messages that ask about them."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

from probe_agent.config import ASK_AGAIN_AFTER_S
from probe_agent.readings import State
from probe_agent.status import AlertNow, Status, utc_seconds
from probe_agent.words.engine import coldest, hottest, plateau
from probe_agent.words.letters import start_words
from probe_agent.words.parts import (
    ELSE_COLD,
    About,
    Letter,
    Unit,
    capital,
    count,
    fault_words,
    few,
    moment,
    moment_of,
    now_of,
    place_name,
    temperature,
    value_of,
)
from probe_agent.words.plug import plug_ended, still_warming


def alert(a: AlertNow, status: Status, unit: Unit = "C") -> str:
    """An alert as a sentence with its time."""
    since = moment(utc_seconds(a.since), status.zone, now_of(status))
    where = place_name(a.place) if a.place else ""
    text = {
        "switch-off": f"Heat was still on at {since}, long after ready. Switch it off.",
        "too-hot": f"Too hot since {since}: {where}. Switch the heater off.",
        "heater-stopped": f"Heat stopped at {since}{_by_the_plug(status)}.",
        "probe-missing": f"{capital(where)} not measured since {since}.",
        "levelling-off": f"Leveling off below the target since {since}.",
        "too-weak": f"Warms clearly slower than this setup usually does, since {since}.",
        "one-cold": f"{capital(where)} stays behind its neighbors since {since}.",
        "attended": f"Asked at {since} whether somebody is with the combustion heater.",
        "still-warming": f"Off was said to the plug, and heat goes on since {since}. Pull the heater's plug.",
        "no-power": f"On, and no power drawn; off since {since}. Look at plug and cable.",
        "no-rise": f"On, and no probe got warmer; off since {since}. Look where the heater is.",
        "power-unplugged": f"Power drawn with the harness unplugged since {since}. Pull the heater's plug.",
        "record-unwritten": f"The record can't be written since {since}; readings are kept in memory.",
        "record-damaged": f"The record was damaged; set aside at {since}, and brought back as far as kept.",
        "card-forgets": f"The board's card doesn't keep what is written, seen at {since}. Replace it.",
    }.get(a.kind, f"{a.kind.replace('-', ' ').capitalize()} since {since}.")
    if a.denied_at and not a.answered:
        text += f" {_said_off(a.denied_at, status)}"
    if a.answered:
        text += f" Answered: {answer_words(a.answered)}."
    return text


def unproven(names: Sequence[str]) -> str | None:
    """Word of recipients who have not answered a test message; None where all have."""
    if not names:
        return None
    who = names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
    verb = "has" if len(names) == 1 else "have"
    return f"{who} {verb} not answered a test message yet: don't count on messages to reach them."


def link_answer(kind: str, harm: bool) -> str:
    """What a link in a message says when it is pressed: off where there is harm, else seen, or that somebody
    is with the heater where that was asked; never on."""
    if kind in ("no-power", "no-rise"):
        return "seen"
    return "with-it" if kind == "attended" else "it-is-off" if harm else "seen"


def answer_words(answer: str) -> str:
    """An answer to an alert, as given."""
    known = {
        "it-is-off": "It is off",
        "seen": "Seen",
        "received": "I got it",
        "with-it": "I am with it",
    }
    return known.get(answer, answer.replace("-", " "))


def answer_label(answer: str) -> str:
    """The label of the button that gives an answer: what pressing it does, not how things stand."""
    return _LABELS.get(answer, answer_words(answer))


OFF_LABEL, SEEN_LABEL = "Say it is off", "I have seen this"
_LABELS = {"it-is-off": OFF_LABEL, "seen": SEEN_LABEL}


def _switch_off(status: Status, unit: Unit, about: About) -> Letter:
    now_at, start = now_of(status), status.start
    is_ready = State(status.state) is State.READY and status.state_since is not None
    passed = start is not None and utc_seconds(start.planned_at) < now_at
    since = f" since {moment_of(status, status.state_since)}" if is_ready and status.state_since else ""
    if status.coldest is None and status.heater.known_by == "measured":
        what = "No required place is measured, perhaps unplugged, and the heater still draws power."
    elif passed and start is not None:
        what = f"Planned start {moment_of(status, start.planned_at)}, none seen, and heat is still on."
    elif is_ready:
        what = f"Ready{since}, and heat is still on."
    else:
        what = "Heat is still on, past its time."
    parts = [
        (1, what),
        (1, coldest(status, unit, spoken=True)),
        (2, _asked_before(about)),
        (2, _denied("switch-off", status)),
        (4, "Heat without flight drives water out of the oil onto cold metal."),
        (1, f"Switch off at the socket, or {_call(about)}; then {_answer(about, OFF_LABEL)}."),
        (1, f"Until it is off I ask again, next at {_next_asking('switch-off', status)}; "),
    ]
    parts[-1] = (1, parts[-1][1] + "if no word comes, count it as on.")
    subjects: tuple[str, ...] = ("switch the heater off",)
    if passed and start is not None:
        subjects = (f"start {moment_of(status, start.planned_at)} passed, heater still on", *subjects)
    elif since:
        subjects = (f"switch the heater off, ready{since}", *subjects)
    return subjects, [p for p in parts if p[1]]


def _asked_before(about: About) -> str:
    """How often it was asked in vain, for whoever hears of it now."""
    times = {1: "once", 2: "twice"}.get(about.asked, f"{count(about.asked)} times")
    return f"Asked {times} before, no answer yet." if about.asked else ""


def _denied(kind: str, status: Status) -> str:
    """That somebody said off and the curve goes on warming."""
    at = next((a.denied_at for a in status.alerts if a.kind == kind), None)
    return _said_off(at, status) if at else ""


def _said_off(at: str, status: Status) -> str:
    return f'"It is off" was said at {moment_of(status, at)}, but it still warms.'


def _call(about: About) -> str:
    return f"call {about.call}" if about.call else "through the person at the field"


def _answer(about: About, words: str) -> str:
    if about.link:
        return f'open the link and press "{words}"'
    return f'press "{words}" on the page'


def _own_end(status: Status) -> str | None:
    """Why our plug ended the heat, as a clause; None where it did not, or its supply may be the cause."""
    plug = status.plug
    if plug is None or plug.ended is None or plug.ended in _SUPPLY:
        return None
    return plug_ended(plug.ended, plug.place)


_SUPPLY = frozenset({"off-at-plug", "plug-silent", "no-power", "no-answer"})
"""Ends of heat (switching.Why) whose cause may be plug, cable or breaker."""


def _by_the_plug(status: Status) -> str:
    why = _own_end(status)
    return ". Have the heater's plug, cable and breaker looked at" if why is None else f": {why}"


def _after_a_stop(status: Status, about: About) -> list[tuple[int, str]]:
    """What to do where heat has stopped: nothing is to be looked at where our plug ended it."""
    if (why := _own_end(status)) is not None:
        return [(1, f"The plug went off: {why}. Look at that first; then switch on anew.")]
    return [
        (1, f"Have someone look at plug and cable{f': call {about.call}' if about.call else ''}."),
        (2, "A breaker that trips again stays off until an electrician has looked."),
    ]


def _stopped(status: Status, unit: Unit, about: About) -> Letter:
    since = f" since {moment_of(status, status.heater.since)}" if status.heater.since else ""
    drawn = " and the socket draws no power" if status.heater.known_by == "measured" else ""
    target = temperature(status.target_c, unit, (status.target_c,), spoken=True)
    parts = [
        (1, f"Nothing has warmed{since}{drawn}."),
        (1, coldest(status, unit, spoken=True)),
        (2, f"Not ready, target {target}."),
        *_after_a_stop(status, about),
        (3, start_words(status)),
        (4, f"{capital(_answer(about, SEEN_LABEL))} once you know."),
        (1, f"This holds until I write again: next word when above target; {ELSE_COLD}"),
    ]
    return (f"heat has stopped, {value_of(status, unit)}",), [p for p in parts if p[1]]


def _too_hot(status: Status, unit: Unit, about: About) -> Letter:
    limit = temperature(status.too_hot_c, unit, spoken=True)
    hot = hottest(status, unit, spoken=True)
    parts = [
        (1, f"{capital(hot)}; the limit is {limit}."),
        (2, _asked_before(about)),
        (2, _denied("too-hot", status)),
        (1, f"Switch the heater off, at the socket or {_call(about)}."),
        (2, "Whoever goes near has an extinguisher at hand."),
        (1, f"Then {_answer(about, OFF_LABEL)}."),
        (1, f"Until it cools I ask again, next at {_next_asking('too-hot', status)}; "),
    ]
    parts[-1] = (1, parts[-1][1] + "if no word comes, count it as too hot.")
    return ("too hot, switch the heater off",), [p for p in parts if p[1]]


def _attended(status: Status, unit: Unit, about: About) -> Letter:
    """Whether somebody is with a combustion heater that burns."""
    since = f" since {moment_of(status, status.heater.since)}" if status.heater.since else ""
    parts = [
        (1, f"The combustion heater burns{since}; for ten minutes nobody has said they are with it."),
        (1, f"Coldest point {value_of(status, unit)}."),
        (2, _asked_before(about)),
        (2, "It is never left alone: fire, carbon monoxide."),
        (1, f"With it? Then {_answer(about, 'I am with it')}. Have it shut off otherwise: {_call(about)}."),
        (1, f"Until it is off I ask again, next at {_next_asking('attended', status)}; "),
    ]
    parts[-1] = (1, parts[-1][1] + "if no word comes, count it as burning alone.")
    return ("is somebody with the heater?",), [p for p in parts if p[1]]


def _missing(status: Status, unit: Unit, about: About) -> Letter:
    place = about.place
    places = (place,) if place else status.missing
    where = few(places) or "a required place"
    found = next((p for p in status.probes if p.place == place), None)
    if found is None:
        why = "no value"
    else:
        why = fault_words(found.status) if found.c is None else "its values come and go"
    one = len(places) < 2
    which = "It is required" if one else "They are required"
    parts = [
        (1, f"{capital(where)}: {why}."),
        (1, f"{which}, so I will not say above target or ready until {'it is' if one else 'they are'} back."),
        (1, f"Have the connector at the cowl looked at, or measure {'it' if one else 'them'} by hand."),
        (3, _others(status, unit)),
        (1, f"Next word when all required points are above target; {ELSE_COLD}"),
    ]
    number = "one place" if one else f"{len(places)} places"
    since = next((a.since for a in status.alerts if a.kind == "probe-missing" and _is_of(a, place)), None)
    lost = f"{where} not measured"
    full = (f"{lost} since {moment_of(status, since)}",) if since is not None else ()
    return (*full, lost, f"{number} not measured"), [p for p in parts if p[1]]


def _is_of(a: AlertNow, place: str | None) -> bool:
    return place is None or a.place == place


def _others(status: Status, unit: Unit) -> str:
    """The coldest of the points that are measured, where there is one."""
    if status.coldest is None:
        return ""
    return f"Coldest of the others {value_of(status, unit)} ({place_name(status.coldest)})."


def _unplugged(status: Status, unit: Unit, about: About) -> Letter:
    lost = (a.since for a in status.alerts if a.kind == "probe-missing")
    at = moment_of(status, min(lost, default=status.now))
    parts = [
        (1, f"All required points were lost at once at {at}, as when the harness is unplugged."),
        (1, "Coldest point unknown."),
        (1, "Unplugged for the start: nothing to do. Otherwise have plug and board looked at."),
        (2, "Is the heater still on? Then switch it off." if status.heater.heating is not False else ""),
        (1, "Nothing is known until they are measured again: next word when above target; "),
    ]
    parts[-1] = (1, parts[-1][1] + ELSE_COLD)
    return (f"all points lost at {at}, unplugged?",), [p for p in parts if p[1]]


def _levelling(status: Status, unit: Unit, about: About) -> Letter:
    parts = [
        (1, coldest(status, unit, spoken=True)),
        (1, plateau(status, unit, spoken=True)),
        (1, "Have cover, plugs or heat added, or give up this start."),
        (3, "Switch the heater off if nobody flies."),
        (1, f"Next word only if above target: until then, and {ELSE_COLD}"),
    ]
    value = value_of(status, unit)
    return (f"unlikely to reach the target, {value}", f"below target, {value}"), parts


def _too_weak(status: Status, unit: Unit, about: About) -> Letter:
    parts = [
        (1, "It warms clearly slower than this setup does at like cold."),
        (1, coldest(status, unit, spoken=True)),
        (1, "Have plug, cable, heater and cover looked at; until then it takes longer."),
        (4, "A long lead takes power too."),
        (1, f"Next word when above target, or if it won't get there; {ELSE_COLD}"),
    ]
    return ("warming slower than usual",), parts


def _one_cold(status: Status, unit: Unit, about: About) -> Letter:
    where = place_name(about.place) if about.place else "a cylinder"
    parts = [
        (1, f"{capital(where)} stays behind its neighbors, unlike in earlier heat-ups."),
        (1, coldest(status, unit, spoken=True)),
        (1, "Have its band or pad and its probe looked at; until then it warms through its neighbors."),
        (1, f"Next word when above target; {ELSE_COLD}"),
    ]
    return (f"{where} stays cold", "one cylinder stays cold"), parts


def _still_warming(status: Status, unit: Unit, about: About) -> Letter:
    parts = [
        *still_warming(status, unit, about),
        (1, coldest(status, unit, spoken=True)),
        (3, _asked_before(about)),
        (1, f"Have its own plug pulled: {_call(about)}; then {_answer(about, OFF_LABEL)}."),
        (2, "Whoever goes near has an extinguisher at hand."),
        (1, f"Until it cools I ask again, next at {_next_asking('still-warming', status)}; "),
    ]
    parts[-1] = (1, parts[-1][1] + "if no word comes, count it as on.")
    return ("off was said, still heating",), [p for p in parts if p[1]]


def _no_power(status: Status, unit: Unit, about: About) -> Letter:
    parts = [
        (1, "The plug was on, the heater drew no power, so it was switched off."),
        (1, coldest(status, unit, spoken=True)),
        (3, _asked_before(about)),
        (1, f"Have plug and cable looked at; then {_answer(about, SEEN_LABEL)}."),
        (2, "A breaker that trips again stays off until an electrician has looked."),
        (3, start_words(status)),
        (1, f"Off until switched on anew. I ask again, next at {_next_asking('no-power', status)}; "),
    ]
    parts[-1] = (1, parts[-1][1] + ELSE_COLD)
    return ("heater on, no power drawn, now off",), [p for p in parts if p[1]]


def _no_rise(status: Status, unit: Unit, about: About) -> Letter:
    parts = [
        (1, "The plug was on for 45 min and no probe got warmer, so it was switched off."),
        (1, coldest(status, unit, spoken=True)),
        (3, _asked_before(about)),
        (1, f"Have somebody look where the heater is; then {_answer(about, 'Seen')}."),
        (2, "One that warms no engine warms something else, and can burn it."),
        (3, start_words(status)),
        (1, f"Off until switched on anew. I ask again, next at {_next_asking('no-rise', status)}; "),
    ]
    parts[-1] = (1, parts[-1][1] + ELSE_COLD)
    return ("heater on, no probe warmer, now off",), [p for p in parts if p[1]]


def _power_unplugged(status: Status, unit: Unit, about: About) -> Letter:
    drawn = status.plug.power_w if status.plug is not None else None
    power = f"{drawn:.0f} W" if drawn else "power"
    parts = [
        (1, f"The harness is unplugged and the heater still draws {power}; off was said to the plug."),
        (1, "Coldest point unknown."),
        (2, _asked_before(about)),
        (
            1,
            f"Have the heater's own plug pulled at once: {_call(about)}; then {_answer(about, OFF_LABEL)}.",
        ),
        (2, "Cover and plugs over a heater that is not watched can burn."),
        (1, f"Until it is off I ask again, next at {_next_asking('power-unplugged', status)}; "),
    ]
    parts[-1] = (1, parts[-1][1] + "if no word comes, count it as on.")
    return ("unplugged, heater still on",), [p for p in parts if p[1]]


ALERT_LETTERS: Mapping[str, Callable[[Status, Unit, About], Letter]] = {
    "switch-off": _switch_off,
    "heater-stopped": _stopped,
    "too-hot": _too_hot,
    "attended": _attended,
    "probe-missing": _missing,
    "levelling-off": _levelling,
    "too-weak": _too_weak,
    "one-cold": _one_cold,
    "unplugged": _unplugged,
    "still-warming": _still_warming,
    "no-power": _no_power,
    "no-rise": _no_rise,
    "power-unplugged": _power_unplugged,
}


def _next_asking(kind: str, status: Status) -> str:
    """When an alert for harm is asked again if nobody answers; a quarter of an hour where none is open."""
    asks_at = next((a.asks_at for a in status.alerts if a.kind == kind and a.asks_at), None)
    at = now_of(status) + ASK_AGAIN_AFTER_S[0] if asks_at is None else utc_seconds(asks_at)
    return moment(at, status.zone, now_of(status))
