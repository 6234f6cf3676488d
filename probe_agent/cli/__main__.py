"""The same as probe-agent: python -m probe_agent.cli."""

from probe_agent.cli import main

main()
