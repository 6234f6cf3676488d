"""The commands. The only place that knows click, signals and the scheduler.

Each family of commands has a file; importing it hangs its commands on the group.
"""

from probe_agent.cli import (
    binding,
    board,
    chosen,
    daemon,
    identify,
    keeping,
    phones,
    planning,
    plug,
    probes,
    record,
    season,
    setups,
    told,
)
from probe_agent.cli.assembly import assemble
from probe_agent.cli.daemon import demo_settings
from probe_agent.cli.group import example_settings, main

__all__ = [
    "assemble",
    "binding",
    "board",
    "chosen",
    "daemon",
    "demo_settings",
    "example_settings",
    "identify",
    "keeping",
    "main",
    "phones",
    "planning",
    "plug",
    "probes",
    "record",
    "season",
    "setups",
    "told",
]
