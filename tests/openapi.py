"""The page's OpenAPI document, web/openapi.yaml: by hand, but for the status document at its end.

python -m tests.openapi     write that part anew from probe_agent/status.py
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import msgspec
import yaml

from probe_agent.status import Status

FILE = Path(__file__).parent.parent / "web" / "openapi.yaml"
MARK = "    # From here on by `python -m tests.openapi`, from probe_agent/status.py.\n"

_LOADER = getattr(yaml, "CSafeLoader", yaml.SafeLoader)  # in C a tenth of the time, where it was built


def document() -> dict[str, Any]:
    """The document as it stands in the file."""
    found: dict[str, Any] = yaml.load(FILE.read_text("utf-8"), _LOADER)
    return found


def status_schemas() -> dict[str, Any]:
    """JSON schemas of the status document and its parts, by name."""
    _, found = msgspec.json.schema_components([Status], ref_template="#/components/schemas/{name}")
    plain: dict[str, Any] = msgspec.json.decode(msgspec.json.encode(found))
    return plain


def main() -> None:
    """Write the generated part anew."""
    by_hand, _, _ = FILE.read_text("utf-8").partition(MARK)
    lines = yaml.safe_dump(
        status_schemas(), sort_keys=True, allow_unicode=True, width=104, default_flow_style=None
    ).splitlines(keepends=True)
    FILE.write_text(by_hand + MARK + "".join(f"    {line}" for line in lines), "utf-8")


if __name__ == "__main__":
    main()
