"""The plug that switches the heater: how it stands, why heat ended or is not begun, and letters of it."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

from probe_agent.status import PlugNow, Status
from probe_agent.words.engine import coldest
from probe_agent.words.letters import start_words
from probe_agent.words.parts import (
    ELSE_COLD,
    About,
    Letter,
    Unit,
    moment,
    moment_of,
    place_name,
    span,
)

PLUG_CAUTION = (
    "Before anyone touches heater, cover or cowl: switch off here, unplug, and lock. Switches off, key out: "
    "the propeller counts as live."
)

_ENDED: Mapping[str, tuple[str, str]] = {
    "owner": ("switched off", "it was switched off here"),
    "said-off": ("said to be off", "somebody said that it is off"),
    "locked": ("locked", "someone is at the aircraft"),
    "gap": ("measuring stopped", "nothing was measured for half a minute"),
    "link": ("line to the plug broke", "the line to the plug broke"),
    "oil-out": ("oil out", "the oil is out"),
    "too-hot": ("{place} too hot", "{place} is at or above the limit"),
    "place-lost": ("{place} not measured", "{place} was not measured for half a minute"),
    "time-limit": ("time limit", "the longest heating the settings allow is over"),
    "start-passed": ("planned start passed", "the planned start has passed"),
    "ready-long": ("ready long enough", "it was ready for long enough"),
    "not-planned": ("no longer planned", "the departure is no longer planned"),
    "no-answer": ("the plug did not go on", "the plug did not say that it went on"),
    "off-at-plug": ("off at the plug", "it went off at the plug: its button, its own timer or the supply"),
    "plug-silent": ("the plug fell silent", "the plug has said nothing for too long"),
    "no-power": ("no power drawn", "it drew no power"),
    "no-rise": ("no probe got warmer", "no probe got warmer from it"),
    "record": ("record can't be used", "the record can't be written or read"),
    "circuit": (
        "circuit handed on",
        "its time on the shared circuit is over and others need it; covered it holds its warmth",
    ),
    "circuit-beyond": (
        "circuit overloaded",
        "together the heaters on its circuit drew more than it may carry, and the others were on before",
    ),
    "circuit-taken": (
        "the circuit was taken",
        "it never went on, for another board on its circuit was first, and there is no room for both",
    ),
    "tested": ("timer tested", "the test of the plug's timer is over"),
}
"""Why heat ended (switching.Why): in a subject, and in a sentence."""

_REFUSED: Mapping[str, tuple[str, str]] = {
    "untested": (
        "the plug's timer is untested",
        "the plug's own timer is untested. At the aircraft, run probe-agent test-plug-timer first",
    ),
    "testing": ("its timer is being tested", "the plug's timer is being tested. Wait until that is over"),
    "on-already": ("it is on already", "it is switched on already"),
    "locked": ("someone is there", "someone is at the aircraft. Release the lock when nobody is"),
    "not-measuring": ("nothing is measured", "nothing was measured in the last half minute"),
    "link": ("no line to the plug", "there is no line to the plug. Look at broker and network"),
    "plug-silent": (
        "the plug is silent",
        "the plug has not said anything lately. Look at its supply and its network",
    ),
    "oil-out": ("the oil is out", "the oil is out. Put it back and check its level first"),
    "too-hot": ("{place} too hot", "{place} is at or above the limit"),
    "place-lost": ("{place} not measured", "{place} is required and not measured by its probe"),
    "start-passed": ("the start has passed", "the planned start has passed"),
    "restarted": (
        "the board restarted",
        "its time came while the board was not running. Switch on anew where nobody is at the aircraft",
    ),
    "circuit-full": (
        "circuit full",
        "others on the same circuit leave no room for this heater now. The page says which. A plan waits for "
        "room until heater and cover are to come off",
    ),
    "record": ("record not written", "the record can't be written. Look at the board's disk"),
}
"""Why heat may not begin (switching.Refusal)."""

_TEST_FAILED: Mapping[str, str] = {
    "no-answer": "the plug never said that it went on",
    "early": "the plug went off long before its timer, so something else switched it off",
    "stays-on": "the plug did not go off by itself in time",
}


def _about_place(text: str, place: str | None) -> str:
    return text.replace("{place}", place_name(place) if place else "a place")


def not_switched(why: str, place: str | None = None) -> str:
    """Why heat is not begun, as an answer."""
    _, sentence = _REFUSED.get(why, ("", why))
    return f"Nothing was switched on: {_about_place(sentence, place)}."


def plug_ended(why: str, place: str | None = None) -> str:
    """Why heat ended, as a clause."""
    return _about_place(_ENDED.get(why, ("", why))[1], place)


def plug_words(status: Status) -> list[str]:
    """How the plug stands, sentence by sentence; empty where there is none."""
    plug = status.plug
    if plug is None:
        return []
    out = [_wanted(plug, status) if plug.wanted else _off(plug, status)]
    if plug.locked is not None:
        out.append(f"Locked since {moment_of(status, plug.locked)}: someone is at the aircraft.")
    if plug.wanted != "test":
        out.append(_tested(plug, status))
    return [text for text in out if text]


def _wanted(plug: PlugNow, status: Status) -> str:
    since = f" at {moment_of(status, plug.on_at)}" if plug.on_at else " with the next reading"
    if plug.wanted == "test":
        return f"The plug's timer is being tested: on{since}. Stay where you see plug and heater."
    by = "by the plan" if plug.wanted == "plan" else "by a person's press"
    until = f" Off by itself at {moment_of(status, plug.until)} at the latest." if plug.until else ""
    return f"Heater switched on{since} {by}; {_drawn(plug)}.{until}"


def _drawn(plug: PlugNow) -> str:
    if not plug.confirmed:
        return "the plug has not said yet that it is on"
    return "what it draws isn't known" if plug.power_w is None else f"it draws {plug.power_w:.0f} W"


def _off(plug: PlugNow, status: Status) -> str:
    text = "Nobody has the heater switched on."
    if plug.ended is not None and plug.ended_at is not None:
        text = f"Off since {moment_of(status, plug.ended_at)}: {plug_ended(plug.ended, plug.place)}."
    if plug.says == "away":
        return f"{text} No line to the plug: whether it is on isn't known."
    if plug.says == "on":
        return f"{text} The plug says that it is on all the same."
    if plug.power_w:
        return f"{text} The plug tells {plug.power_w:.0f} W."
    return text


def _tested(plug: PlugNow, status: Status) -> str:
    if plug.tested:
        return "The plug's own timer has passed its test."
    if plug.test_failed is not None and not plug.test_old:
        why = _TEST_FAILED.get(plug.test_failed) or plug_ended(plug.test_failed)
        return f"The test of the plug's timer was not passed: {why}. Nothing is switched on until it is."
    again = (
        "the settings have changed since its timer was tested" if plug.test_old else "its timer is untested"
    )
    return f"Nothing is switched on: {again} (probe-agent test-plug-timer, at the aircraft)."


# -- the circuit others share


def circuit_earlier(
    name: str,
    from_at: float,
    until_at: float,
    earlier_s: float,
    beside: Sequence[str],
    by_plug: bool,
    zone: str,
    now_at: float,
) -> str:
    """That heat goes on earlier than alone, why, and what it costs. Instants in UTC seconds."""
    start, end = (moment(at, zone, now_at) for at in (from_at, until_at))
    others = f"shared with {_devices(beside)}" if beside else "shared"
    do = "Heat" if by_plug else "Have heat on"
    return (
        f"{do} from {start}, {span(earlier_s)} earlier than alone: the circuit {name} is {others}. It ends "
        f"at {end} where they need it; covered the engine holds its warmth from then on, for a little more "
        "energy and water."
    )


def circuit_unfit(name: str, unfit: Sequence[str], limit_w: float) -> str:
    """For whom there is no room."""
    return (
        f"Not all on the circuit {name} can be warm in time: within {limit_w:.0f} W there is no room for "
        f"{_devices(unfit)}. Plan another start, or heat elsewhere."
    )


def circuit_beyond(name: str, on: Sequence[str], on_w: float, limit_w: float) -> str:
    """That more is on than the circuit may carry."""
    return (
        f"Too much is on: {_devices(on)} together draw {on_w:.0f} W on the circuit {name}, which may carry "
        f"{limit_w:.0f} W. Switch one off now, and see that cable and sockets stay cool."
    )


def circuit_ends(name: str, end_at: float, beside: Sequence[str], zone: str, now_at: float) -> str:
    """That heat which went on earlier ends for others [UTC s]."""
    need = (
        f"{_devices(beside)} then {'needs' if len(beside) == 1 else 'need'}" if beside else "others then need"
    )
    return (
        f"This heat began earlier and ends at {moment(end_at, zone, now_at)} at the latest where {need} "
        f"the circuit {name}; covered the engine holds its warmth."
    )


def circuit_asks(name: str) -> str:
    """That the others have a moment to be heard before heat begins."""
    return f"The other boards on the circuit {name} have a moment to be heard; then the heater goes on."


def circuit_limits(name: str, limit_w: float) -> str:
    return f"The boards tell different limits for the circuit {name}; the lowest counts, {limit_w:.0f} W."


def circuit_unheard(name: str, away: str, heard_before: bool) -> str:
    """Others on the circuit can't be heard. away: why, as the end of a sentence."""
    then = (
        "what they said last counts"
        if heard_before
        else "what they plan is unknown, and this plan stands alone"
    )
    return f"Others on the circuit {name} can't be heard{away}; {then}."


def circuit_waits(name: str, beside: Sequence[str], room_at: float | None, zone: str, now_at: float) -> str:
    """Why nothing can be switched on at this moment, and until when by what the others said [UTC s]."""
    verb = "leaves" if len(beside) == 1 else "leave"
    until = "" if room_at is None else f", until {moment(room_at, zone, now_at)} at the latest"
    return f"On the circuit {name} {_devices(beside)} {verb} no room for this heater now{until}."


def _devices(names: Sequence[str]) -> str:
    """Boards by their names on the broker."""
    few = [n[:30] for n in names[:4]] + ([f"{len(names) - 4} more"] if len(names) > 4 else [])
    return few[0] if len(few) == 1 else f"{', '.join(few[:-1])} and {few[-1]}"


# -- letters

_THEN: Mapping[str, str] = {
    "circuit": "Leave the cover on. It doesn't come on again by itself.",
    "circuit-beyond": "It doesn't come on again by itself. Switch on anew when the page shows room.",
}
"""What is to be done where heat ended for others on the circuit."""


def _switched_on(status: Status, unit: Unit, about: About) -> Letter:
    plug = status.plug or PlugNow()
    at = moment_of(status, plug.on_at) if plug.on_at else "just now"
    power = "power unknown" if plug.power_w is None else f"power {plug.power_w:.0f} W"
    who = "for the plan" if plug.wanted == "plan" else "as somebody pressed"
    parts = [
        (1, f"The plug switched the heater on at {at} {who}; {_drawn(plug)}."),
        (1, coldest(status, unit, spoken=True)),
        (2, start_words(status)),
        (1, "Nothing to do; whoever goes near switches off and unplugs first."),
        (3, f"Off by itself at {moment_of(status, plug.until)} at the latest." if plug.until else ""),
        (1, f"This holds until I write again: next word when above target; {ELSE_COLD}"),
    ]
    return (f"heater switched on {at}, {power}", f"heater on, {power}"), [p for p in parts if p[1]]


def _switched_off(status: Status, unit: Unit, about: About) -> Letter:
    plug = status.plug or PlugNow()
    why = plug.ended or "owner"
    at = moment_of(status, plug.ended_at) if plug.ended_at else "just now"
    short, clause = (_about_place(text, plug.place) for text in _ENDED.get(why, (why, why)))
    then = _THEN.get(why, "It doesn't come on again by itself. Look at the page, then switch on anew.")
    parts = [
        (1, f"The plug was switched off at {at}: {clause}."),
        (1, coldest(status, unit, spoken=True)),
        (2, start_words(status)),
        (1, then),
        (3, "" if why in _THEN else "Have plug, cable and harness looked at if you can't tell why."),
        (1, f"This holds until I write again: next word when above target; {ELSE_COLD}"),
    ]
    return (f"heat ended {at}, {short}", f"heat ended, {short}", "heat ended"), [p for p in parts if p[1]]


def _not_switched(status: Status, unit: Unit, about: About) -> Letter:
    plug = status.plug or PlugNow()
    if plug.refused is None and plug.ended == "circuit-taken":
        return _gave_way(status, unit)
    why = plug.refused or "untested"
    short, clause = (_about_place(text, plug.place) for text in _REFUSED.get(why, (why, why)))
    then = "Have that set right: it is tried again until the start. Or heat by hand."
    if why == "circuit-full":
        clause = "others on the same circuit leave no room"
        then = "Look at the page, it names them. It waits for room until cover and heater come off."
    parts = [
        (1, f"Heat was to go on by the plan and did not: {clause}."),
        (1, coldest(status, unit, spoken=True)),
        (3, start_words(status)),
        (1, then),
        (1, f"This holds until I write again: next word when it is on; {ELSE_COLD}"),
    ]
    return (f"heat not switched on: {short}", "heat not switched on"), [p for p in parts if p[1]]


def _gave_way(status: Status, unit: Unit) -> Letter:
    """A press that another board on the circuit came before."""
    parts = [
        (1, "Somebody pressed for heat, and it did not go on: another board on its circuit was first."),
        (1, "There is no room for both."),
        (1, coldest(status, unit, spoken=True)),
        (3, start_words(status)),
        (1, "It is not tried again by itself. Look at the page, and press anew when there is room."),
        (1, f"This holds until I write again: next word when it is on; {ELSE_COLD}"),
    ]
    return ("heat not switched on: circuit taken", "heat not switched on"), [p for p in parts if p[1]]


def still_warming(status: Status, unit: Unit, about: About) -> list[tuple[int, str]]:
    """What is known of heat that goes on although it was commanded off."""
    plug = status.plug
    off = f" at {moment_of(status, plug.ended_at)}" if plug is not None and plug.ended_at else ""
    if plug is not None and plug.power_w:
        seen = f"the plug tells {plug.power_w:.0f} W"
    elif plug is not None and plug.says == "on":
        seen = "the plug says that it is on"
    else:
        seen = "the engine goes on warming"
    return [
        (1, f"Off was said{off}, and {seen}."),
        (3, "Its contact may be welded, or another socket feeds the heater."),
    ]


PLUG_LETTERS: Mapping[str, Callable[[Status, Unit, About], Letter]] = {
    "switched-on": _switched_on,
    "switched-off": _switched_off,
    "not-switched": _not_switched,
}
