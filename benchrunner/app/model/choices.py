"""The procedures, pairings and benches that a person can choose from: the lab's own first, then the shipped ones."""

import tomllib
from dataclasses import dataclass
from pathlib import Path

from benchrunner import data

KINDS = {
    "procedure": ("procedures", ""),
    "pairing": ("resources", "pairings"),
    "bench": ("resources", "benches"),
}
_LARGEST = 1_000_000  # bytes; a larger file is not looked into


@dataclass(frozen=True, slots=True)
class Choice:
    """One file to choose. `name` is what the engine is given: a path."""

    name: str
    title: str
    says: str
    origin: str  # "shipped", "lab" or "file"
    simulated: bool | None = None  # benches only


def choices(kind: str) -> list[Choice]:
    """All files of a kind, by title; a lab's own file hides a shipped one of the same name."""
    folder, inside = KINDS[kind]
    found: dict[str, Choice] = {}
    places = [(place / inside, "lab") for place in data.lab_folders(folder)]
    places.append((data.folder(folder) / inside, "shipped"))
    for place, origin in places:
        if place.is_dir():
            for path in sorted(place.glob("*.toml")):
                found.setdefault(path.stem, read_choice(path, origin))
    return sorted(found.values(), key=lambda c: (c.origin != "lab", c.title.lower()))


def read_choice(path: Path, origin: str = "file") -> Choice:
    """The title of a file; a file that cannot be read shows its name, and why it can't be run is said later."""
    head: dict[str, object] = {}
    try:
        if path.stat().st_size <= _LARGEST:
            head = tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError):
        head = {}
    title = str(head.get("title") or path.stem)[:120]
    says = (
        str(head.get("purpose") or head.get("says") or head.get("note") or "")
        .strip()
        .replace("\n", " ")[:600]
    )
    simulated = head.get("simulated")
    return Choice(str(path), title, says, origin, simulated if isinstance(simulated, bool) else None)
