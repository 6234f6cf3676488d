"""The page Set up: who is told and who has proven to be, which probe is which, units, and the settings the
daemon goes by with where they are changed."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import msgspec
from flask import Response, redirect, request, url_for
from werkzeug.wrappers import Response as BaseResponse

from probe_agent import chosen, words
from probe_agent.chosen import Change
from probe_agent.config import Recipient, Settings
from probe_agent.status import Status
from probe_agent.store import BindingChange, link_hash, moves
from probe_agent.words import Unit
from web.acts import Outcome, number_of
from web.desk import Desk

MOST_SHOWN_K = 10.0
"""A rise of so many kelvins fills the bar."""
NOT_A_TEST_CODE = "A test message's code has six digits, such as 482913. Look at the message again."


@dataclass(frozen=True, slots=True)
class ChoiceView:
    """A setting that may be changed here. file: what the file says where that differs, and since when; at: of
    the change that may be undone; typed, refused: what was typed for it, and why not."""

    name: str
    what: str
    value: str
    field: str
    hint: str
    file: str
    at: float | None
    typed: str
    refused: str


class SetUpPages:
    """What stands behind the routes of app.py, loaded when one is first asked for."""

    def __init__(self, desk: Desk) -> None:
        self.desk = desk

    def show(self) -> Response:
        return self._page(self.desk.said())

    def _page(
        self, said: Outcome | None = None, code: int = 200, refused: str = "", **shown: Any
    ) -> Response:
        """shown: wanted, where each probe shall sit; preview, what that would change; wrong, the setting that
        was refused with its sentence."""
        desk, values = self.desk, self.desk.values()
        status, unit, zone = values["status"], values["unit"], desk.zone(values["status"])
        kept, changes = desk.record.set_up(), chosen.read_changes(desk.record.kept(chosen.KEPT))
        told = [(r, kept.tested.get(r.name, (None, None))) for r in desk.settings.recipients]
        wanted = shown.get("wanted") or {address: place for place, _, address in kept.bindings}
        values |= {
            "said": said,
            "refused": refused,
            "code": request.form.get("code", "")[:20],
            "recipients": [recipient(r, at, zone) for r, at in told],
            "probes": probes_of(kept.bindings, wanted, status, unit),
            "places": desk.places(),
            "find": find_of(status, kept.bindings, unit),
            "seen": _as_text({address: place for place, _, address in kept.bindings}),
            "preview": shown.get("preview", ()),
            "twice": shown.get("twice", ""),
            "moves": [history(change, zone) for change in kept.changes[:5]],
            "choices": choices_of(desk.settings, changes, unit, zone, *shown.get("wrong", ("", ""))),
            "rules": rules_of(desk.settings, unit),
        }
        return desk.respond(values, "set_up.html", code)

    def test(self) -> BaseResponse:
        """Send one recipient a test message."""
        return self._act("test-recipient", {"to": request.form.get("to", "")})

    def received(self) -> BaseResponse:
        """The code of a test message: it has reached somebody."""
        typed = "".join(request.form.get("code", "").split())
        is_code = typed.isascii() and typed.isdigit() and len(typed) == 6
        body = {"hash": link_hash(typed).hex()} if is_code else None
        return self._act("answer-link", body, lambda code: self._page(None, code, NOT_A_TEST_CODE))

    def bind(self) -> BaseResponse:
        """Show what would change where each probe sits as chosen; or have it so from now on."""
        wanted = {k[3:]: v for k, v in request.form.items() if k.startswith("at-")}
        seen = _from_text(request.form.get("seen", ""))
        if (found := request.form.get("found")) is not None:
            wanted = with_found(seen, found, wanted.get(found, ""))
        if request.form.get("do") != "preview":
            return self._act("bind-probes", {"places": wanted, "seen": seen}, wanted=wanted)
        if (refusal := self.desk.gate.refusal("bind-probes")) is not None:
            return self._page(Outcome(False, refusal), 403, wanted=wanted)
        if twice := _twice(wanted.values()):
            return self._page(None, 422, wanted=wanted, twice=words.bound_twice(twice))
        required = [p.name for p in self.desk.settings.places if p.required]
        return self._page(wanted=wanted, preview=preview(seen, wanted, required))

    def identify(self) -> BaseResponse:
        """Begin or end a round of finding a probe by warming it."""
        return self._act("identify", {"do": request.form.get("do", "")[:10]})

    def unbind(self) -> BaseResponse:
        """Take the last change of places back."""
        return self._act("undo-binding", {"at": _number(request.form.get("at", ""))})

    def choose(self) -> BaseResponse:
        """Have a setting be another one, or as the file says."""
        name, unit = request.form.get("name", "")[:40], self.desk.unit()
        body = {"name": name, "text": request.form.get("text", "")[:40], "unit": unit}
        return self._act("choose-setting", body | {"as_file": request.form.get("do") == "as-file"})

    def unchoose(self) -> BaseResponse:
        """Take a change of a setting back."""
        return self._act("undo-choice", {"at": _number(request.form.get("at", "")), "unit": self.desk.unit()})

    def _act(
        self,
        kind: str,
        body: dict[str, Any] | None,
        wrong: Callable[[int], BaseResponse] | None = None,
        **shown: Any,
    ) -> BaseResponse:
        """As the desk acts; wrong: the page where the form made no body."""

        def refused(said: Outcome | None, code: int) -> BaseResponse:
            if said is None:
                return wrong(code) if wrong is not None else self._page(code=code)
            if kind == "choose-setting" and said.at_field:
                return self._page(None, code, wrong=(said.at_field, said.text))
            return self._page(said, code, **shown)

        def done(number: str) -> BaseResponse:
            return redirect(url_for("set_up", said=number, _anchor="said"), 303)

        return self.desk.act(kind, body, refused, done)


def preview(seen: Mapping[str, str], wanted: Mapping[str, str], required: Iterable[str]) -> tuple[str, ...]:
    """What would change, in sentences."""
    bound = {address: (place, "") for address, place in seen.items()}
    moved = moves(bound, {address: place or None for address, place in wanted.items()}, {})
    if not moved:
        return ("Every probe sits there already.",)
    bare = {m.before for m in moved if m.before is not None} - {m.after for m in moved}
    left = words.left_without(sorted(bare), required)
    said = (*map(words.probe_moves, moved), left, words.HELD_ON, words.STARTS_ANEW)
    return tuple(s for s in said if s)


def with_found(seen: Mapping[str, str], address: str, place: str) -> dict[str, str]:
    """Address → place of every probe with the found one at that place; the one that had it has none."""
    wanted = {a: "" if place and p == place else p for a, p in seen.items()}
    return wanted | {address: place}


@dataclass(frozen=True, slots=True)
class RiseView:
    """A probe of a round: what it is called, by how much it has risen in words and [K], if it is named."""

    name: str
    address: str
    rise: str
    rise_k: float
    named: bool


@dataclass(frozen=True, slots=True)
class FindView:
    """A round of finding a probe by warming it. found: the address that is named, "" where none is; at: the
    place it has; runs: it isn't over yet."""

    text: str
    rises: tuple[RiseView, ...]
    found: str
    at: str
    runs: bool


def find_of(status: Status | None, bindings: Iterable[tuple[str, str, str]], unit: Unit) -> FindView | None:
    """The round at hand; None where there is none."""
    told = None if status is None else status.identify
    if status is None or told is None:
        return None
    at = {address: place for place, _, address in bindings}

    def name(address: str) -> str:
        return words.place_name(at[address]) if address in at else "no place yet"

    named = [f"{a} ({name(a)})" for a in told.addresses]
    rises = tuple(
        RiseView(name(a), a, words.degrees(k, unit), max(0.0, min(k, MOST_SHOWN_K)), a in told.addresses)
        for a, k in sorted(told.rises_k.items(), key=lambda item: -item[1])
    )
    found = told.addresses[0] if told.stage == "found" else ""
    text = words.round_stage(told.stage, named, status.run.interval_s)
    return FindView(text, rises, found, at.get(found, ""), told.stage in ("resting", "waiting"))


def history(change: BindingChange, zone: str) -> dict[str, Any]:
    """One change of where probes sit."""
    at = f"{words.stamp(change.at, zone)}, {words.day(change.at, zone)}"
    may_undo = any(m.before is not None for m in change.moved)
    return {
        "at": at,
        "number": repr(change.at),
        "lines": list(map(words.probe_moved, change.moved)),
        "undo": may_undo,
    }


def choices_of(
    file: Settings, changes: Iterable[Change], unit: Unit, zone: str, wrong: str, why: str
) -> list[ChoiceView]:
    """The settings that may be changed here, each with what holds."""
    held, now = chosen.in_force(changes), chosen.with_chosen(file, changes)
    out = []
    for c in chosen.CHOICES:
        value, said = chosen.value_of(now, c), chosen.value_of(file, c)
        change = held.get(c.name)
        since = f"{words.stamp(change.at, zone)}, {words.day(change.at, zone)}" if change else ""
        differs = f"The file says {chosen.shown(c, said, unit)}; changed {since}." if value != said else ""
        typed = request.form.get("text", "")[:40] if wrong == c.name else ""
        hint = f"{chosen.HINTS[c.kind]}, °{unit}" if c.kind == "temperature" else chosen.HINTS[c.kind]
        out.append(
            ChoiceView(
                c.name,
                c.what,
                chosen.shown(c, value, unit),
                chosen.field_text(c, value, unit),
                hint,
                differs,
                change.at if change else None,
                typed,
                why if wrong == c.name else "",
            )
        )
    return out


def _twice(places: Iterable[str]) -> str:
    """A place that is named more than once; "" where none is."""
    used = sorted(p for p in places if p)
    return next((a for a, b in pairwise(used) if a == b), "")


def _number(text: str) -> float:
    return number_of(text) or 0.0


def _as_text(bound: Mapping[str, str]) -> str:
    return msgspec.json.encode(bound).decode()


def _from_text(text: str) -> dict[str, str]:
    try:
        return msgspec.json.decode(text, type=dict[str, str])
    except msgspec.MsgspecError:
        return {}


def recipient(r: Recipient, tested: tuple[float | None, float | None], zone: str) -> dict[str, Any]:
    """One recipient: what they get, and whether they have proven to get it."""
    tested_at, proven_at = tested
    if proven_at is not None:
        proof = f"Has answered a test, {words.stamp(proven_at, zone)}, {words.day(proven_at, zone)}."
    elif tested_at is not None:
        sent = f"{words.stamp(tested_at, zone)}, {words.day(tested_at, zone)}"
        proof = f"Not proven: the test of {sent} is unanswered. Silence proves nothing."
    else:
        proof = "Not proven: no test has been sent yet."
    gets = "alerts for harm alone" if r.harm_only else "every word"
    quiet = f", quiet {r.quiet}" if r.quiet else ""
    return {
        "name": r.name,
        "gets": f"Gets {gets}{quiet}; asked in turn {r.order}.",
        "proof": proof,
        "proven": proven_at is not None,
    }


def probes_of(
    bindings: Iterable[tuple[str, str, str]], wanted: Mapping[str, str], status: Status | None, unit: Unit
) -> list[dict[str, str]]:
    """Every probe: its address, its place, what it reads now, where it is wanted; those at no place last."""
    reads = {p.place: words.probe_words(p, status, unit) for p in status.probes} if status else {}
    out = [
        _probe(words.place_name(place), source, address, reads.get(place, "nothing known now"), wanted)
        for place, source, address in bindings
    ]
    for u in status.unplaced if status else ():
        read = f"reads {words.tenths(u.c, unit)}" if u.c is not None else f"can't be read ({u.fault})"
        out.append(_probe("No place:", u.source, u.address, read, wanted))
    return out


def _probe(place: str, source: str, address: str, reads: str, wanted: Mapping[str, str]) -> dict[str, str]:
    return {
        "place": place,
        "source": source,
        "address": address,
        "reads": reads,
        "wanted": wanted.get(address, ""),
    }


def rules_of(settings: Settings, unit: Unit) -> tuple[tuple[str, str, str], ...]:
    """What the daemon goes by: (what, value, where it stands in the settings file)."""
    limits, told = settings.limits, settings.messages
    rule = "the soak" if limits.ready_rule == "soak" else "the estimated core"

    def c(value: float) -> str:
        return words.temperature(value, unit, (value,))

    return (
        ("Heat is needed below", c(limits.need_below_c), "[limits] need_below_c or need_below_f"),
        ("Too hot from", c(limits.too_hot_c), "[limits] too_hot_c or too_hot_f"),
        ("Ready by", rule, "[limits] ready_rule"),
        ("Soak", f"{limits.soak_min:g} min", "[limits] soak_min"),
        ("Weekly test", told.weekly_test, "[messages] weekly_test"),
        ("Readiness waits for", words.place_list(settings.required), "[[places]] required"),
        ("Setup in use", settings.setup.name if settings.setup else "none", "[[setups]], the first"),
        ("A look every", f"{settings.sampling.interval_s:g} s", "[sampling] interval_s"),
    )
