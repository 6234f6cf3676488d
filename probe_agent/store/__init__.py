"""The record: SQL of the hot path on one SQLite file (WAL, synchronous FULL).

The daemon holds the only `Store`; readings are held in memory and committed in batches, everything
else at once and together with the batch. "Acknowledged" means committed here. Viewers open a
`Reader`; the one thing they write is a command. Each family of tables has a file with its rows and its
statements; a statement goes into a `Batch` and runs after its ticks, in the same transaction.
"""

from typing import TYPE_CHECKING

from probe_agent.store.access import (
    OpenCode,
    Role,
    Session,
    begin_session,
    count_try,
    end_code,
    end_session,
    offer_code,
)
from probe_agent.store.bindings import BindingChange, Moved, moves, rebind, undone
from probe_agent.store.commands import Command, answer_command, forget_body
from probe_agent.store.corrections import (
    CHECK,
    IN_FORCE,
    TAUGHT,
    Check,
    ComparedNow,
    FallsOf,
    KeptCorrection,
    Shifted,
    Taught,
    WhyNot,
    corrections_basis,
    keep_correction,
    read_check,
    undo_corrections,
)
from probe_agent.store.curves import (
    PREVIEW,
    SAME_SETUP,
    Announced,
    HeatupKept,
    Preview,
    Small,
    note_heatup,
    read_preview,
)
from probe_agent.store.file import (
    SCHEMA_TEXT,
    SCHEMA_VERSION,
    TAKE_ALONG,
    Statement,
    StoreError,
    StoreNewerError,
    connect,
    keep_value,
    mark_schema,
    mc,
    open_checked,
    schema_mark,
    transaction,
)
from probe_agent.store.heatups import (
    CameOf,
    KeptOuting,
    close_heatup,
    end_departure,
    exclude_heatup,
    keep_departure,
    keep_outing,
    mark_heatup,
    newest_lesson,
    open_heatup,
    tell_outing,
)
from probe_agent.store.measured import (
    Answered,
    CurveRow,
    StoredReading,
    TickRow,
    insert_hand_reading,
    undo_hand_reading,
)
from probe_agent.store.spells import HeatupSpan, KeptSpell, keep_spell, move_spells
from probe_agent.store.told import (
    ANSWER,
    CODE,
    TEST,
    Link,
    Message,
    answer_alert,
    close_alert,
    link_hash,
    mark_proven,
    mark_tested,
    open_alert,
    revoke_links,
    use_link,
    withdraw_messages,
)
from probe_agent.store.viewer import Reader, ask, await_answer, reader_of
from probe_agent.store.weather import KeptWeather, forget_weather, keep_station, keep_weather

if TYPE_CHECKING:
    from probe_agent.store.daemon import Batch, Store
    from probe_agent.store.onwards import Going, GoneTo, Piece, RunClock, SentTick

__all__ = [
    "ANSWER",
    "CHECK",
    "CODE",
    "IN_FORCE",
    "PREVIEW",
    "SAME_SETUP",
    "SCHEMA_TEXT",
    "SCHEMA_VERSION",
    "TAKE_ALONG",
    "TAUGHT",
    "TEST",
    "Announced",
    "Answered",
    "Batch",
    "BindingChange",
    "CameOf",
    "Check",
    "Command",
    "ComparedNow",
    "CurveRow",
    "FallsOf",
    "Going",
    "GoneTo",
    "HeatupKept",
    "HeatupSpan",
    "KeptCorrection",
    "KeptOuting",
    "KeptSpell",
    "KeptWeather",
    "Link",
    "Message",
    "Moved",
    "OpenCode",
    "Piece",
    "Preview",
    "Reader",
    "Role",
    "RunClock",
    "SentTick",
    "Session",
    "Shifted",
    "Small",
    "Statement",
    "Store",
    "StoreError",
    "StoreNewerError",
    "StoredReading",
    "Taught",
    "TickRow",
    "WhyNot",
    "answer_alert",
    "answer_command",
    "ask",
    "await_answer",
    "begin_session",
    "close_alert",
    "close_heatup",
    "connect",
    "corrections_basis",
    "count_try",
    "end_code",
    "end_departure",
    "end_session",
    "exclude_heatup",
    "forget_body",
    "forget_weather",
    "insert_hand_reading",
    "keep_correction",
    "keep_departure",
    "keep_outing",
    "keep_spell",
    "keep_station",
    "keep_value",
    "keep_weather",
    "link_hash",
    "mark_heatup",
    "mark_proven",
    "mark_schema",
    "mark_tested",
    "mc",
    "move_spells",
    "moves",
    "newest_lesson",
    "note_heatup",
    "offer_code",
    "open_alert",
    "open_checked",
    "open_heatup",
    "read_check",
    "read_preview",
    "reader_of",
    "rebind",
    "revoke_links",
    "schema_mark",
    "tell_outing",
    "transaction",
    "undo_corrections",
    "undo_hand_reading",
    "undone",
    "use_link",
    "withdraw_messages",
]


def __getattr__(name: str) -> object:
    """The daemon's side is loaded by who asks for it: the page, which never writes, holds a megabyte less."""
    if name in ("Batch", "Store"):
        from probe_agent.store import daemon

        return getattr(daemon, name)
    if name in ("Going", "GoneTo", "Piece", "RunClock", "SentTick"):
        from probe_agent.store import onwards

        return getattr(onwards, name)
    raise AttributeError(name)
