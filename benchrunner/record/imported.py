"""The mark of a record that was imported from another logger's file: not measured by us, nothing judged."""

from collections.abc import Mapping
from typing import Any

SAYS = "imported, not measured by us"


def imported(header: Mapping[str, Any]) -> dict[str, Any] | None:
    """What a record's header says of where it came from; nothing for a record of a run."""
    further = header.get("further")
    found = further.get("imported") if isinstance(further, dict) else None
    return found if isinstance(found, dict) else None
