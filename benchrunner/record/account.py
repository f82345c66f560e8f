"""A watchdog's own account of what it saw and did: `watchdog.jsonl` in the run's folder, beside the journal.

One JSON object a line, each on the disk before the next; written by a thread, so that a stuck disk cannot hold up
making safe. Its last line says how it ended. Whoever seals what a crashed run left can read it here.
"""

import contextlib
import json
import os
import queue
import threading
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

FILE_NAME = "watchdog.jsonl"
LARGEST = 2_000_000  # bytes of an account that are read
ENDED = "the watchdog's end state: safe,"  # how a sentence on its end begins
CLOSING = 5.0  # s that closing waits for the disk


class Account:
    """Written by the watchdog. What cannot be written is lost, and never raises."""

    def __init__(self, folder: Path) -> None:
        self.path = folder / FILE_NAME
        self._lines: queue.SimpleQueue[str | None] = queue.SimpleQueue()
        self._thread = threading.Thread(target=self._write, name="account", daemon=True)
        self._thread.start()

    def say(self, what: str, **data: Any) -> None:
        """One line: when (UTC), what, and whatever belongs to it."""
        when = datetime.now(UTC).isoformat(timespec="milliseconds")
        self._lines.put(json.dumps({"when": when, "what": what, **data}, ensure_ascii=False, default=str))

    def close(self) -> None:
        """Wait until all is on the disk, but not for ever."""
        self._lines.put(None)
        self._thread.join(CLOSING)

    def _write(self) -> None:
        with contextlib.suppress(OSError), self.path.open("a", encoding="utf-8") as file:
            while (line := self._lines.get()) is not None:
                file.write(line + "\n")
                file.flush()
                os.fsync(file.fileno())


def raw(folder: Path) -> bytes:
    """The account in a run's folder as it was written; empty where there is none."""
    try:
        with (folder / FILE_NAME).open("rb") as file:
            return file.read(LARGEST)
    except OSError:
        return b""


def read_account(folder: Path) -> list[dict[str, Any]]:
    """The account in a run's folder, oldest line first; empty where there is none. Lines that are cut are left out."""
    found = []
    for line in raw(folder).decode("utf-8", "replace").splitlines():
        with contextlib.suppress(ValueError, RecursionError):
            data = json.loads(line)
            if isinstance(data, dict):
                found.append(data)
    return found


def account_says(folder: Path) -> list[str]:
    """The account in sentences for people; empty where a run's folder holds none."""
    lines = []
    for entry in read_account(folder):
        if entry.get("what") == "acting":
            lines.append(f"the watchdog acted ({entry.get('when')}): {entry.get('why')}")
        elif entry.get("what") == "ended":
            safe = "confirmed" if entry.get("safe") == "confirmed" else "could NOT be confirmed"
            lines.append(f"{ENDED} {safe} ({entry.get('when')}): {entry.get('says')}")
    return lines
