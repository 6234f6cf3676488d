"""One tick of the supervisor."""

from __future__ import annotations

from msgspec import structs

from probe_agent.readings import Transition
from probe_agent.supervisor.alerts import keep_alerts
from probe_agent.supervisor.announcing import announce, no_longer_true, see_late, tell
from probe_agent.supervisor.seen import see
from probe_agent.supervisor.state import decide, keep_heatup, signs_of
from probe_agent.supervisor.watch import Facts, Rules, Step, Watch


def step(watch: Watch, facts: Facts, rules: Rules) -> Step:
    """One tick: what it means and what follows. Facts must not go back in time."""
    seen = see(watch, facts, rules)
    state, reason = decide(seen, facts, rules)
    seen = structs.replace(seen, signs=signs_of(seen, state, facts, rules))
    after, opened, closed = keep_heatup(seen, state, facts)
    transitions: tuple[Transition, ...] = ()
    withdrawn: tuple[str, ...] = ()
    if state is not watch.state:
        transitions = (Transition(facts.t_s, watch.state, state, reason),)
        after = structs.replace(after, state=state, since_s=facts.t_s, reason=reason)
        withdrawn = no_longer_true(watch.state, state)
    after, gone = keep_alerts(see_late(after, facts, rules), facts, rules)
    withdrawn += tuple(alert.id for alert, _ in gone)
    after, announcements = tell(after, watch, facts, rules)
    after, fresh = announce(after, facts.forecast, bool(transitions))
    return Step(after, transitions, announcements, opened, closed, gone, withdrawn, fresh)
