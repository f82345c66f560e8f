"""What was done otherwise than the procedure says, what people said, and what the program reported: three lists, kept apart."""

from collections.abc import Mapping
from typing import Any

from benchrunner.report import subject, words
from benchrunner.report.plain import plain

LEVELS = {"warning": "warning: ", "error": "error: ", "alarm": "ALARM: "}


def _set(header: Mapping[str, Any]) -> list[str]:
    """Deviations but for those that only say that a parameter was set: these are listed once, as parameters."""
    own = {f"{name} set to {value}" for name, value in header["overrides"].items()}
    return [str(text) for text in header["deviations"] if text not in own]


def changed(header: Mapping[str, Any]) -> int:
    """How many deviations, gates passed by name and parameters set there are; a note is none of them."""
    return len(_set(header)) + len(header["overridden"]) + len(header["overrides"])


def deviations(header: Mapping[str, Any], procedure: bytes = b"") -> list[str]:
    """Deviations, gates passed by name and parameters set for the run, one line each."""
    declarations = subject.declared(procedure)
    found = [f"Deviation: {text}" for text in _set(header)]
    for gate in header["overridden"]:
        said = ", ".join(f"{k} {v}" for k, v in gate.items()) if isinstance(gate, Mapping) else str(gate)
        found.append(f"Gate passed by name: {said}")
    found += [
        f"Parameter set for this run: {subject.said(name, declarations)} = {value} ({name})"
        for name, value in header["overrides"].items()
    ]
    return [plain(line) for line in found]


def of_the_operator(header: Mapping[str, Any]) -> list[str]:
    """What the operator said during the run: the answers to the procedure's questions."""
    return [_line(note) for note in header["notes"] if _spoken(note)]


def messages(header: Mapping[str, Any]) -> list[str]:
    """What the program reported during the run, with its level where that is more than a remark; then the polling."""
    told = [
        _line(note, LEVELS.get(str(note.get("level")), "")) for note in header["notes"] if not _spoken(note)
    ]
    return [*told, *(plain(line) for line in polling(header))]


def _spoken(note: Mapping[str, Any]) -> bool:
    """`core.step` notes each answer taken as `answered: ...` or `answered (by): ...`."""
    return note.get("level") == "info" and str(note.get("text", "")).startswith(("answered: ", "answered ("))


def _line(note: Mapping[str, Any], level: str = "") -> str:
    at = note.get("at")
    return plain((f"{at:.1f} s: " if words.is_number(at) else "") + level + str(note.get("text", "")))


def polling(header: Mapping[str, Any]) -> list[str]:
    """Missed and failed polls, and how far the times of instruments lie apart, as counted on a bench in real time."""
    further = header.get("further")
    kept = further if isinstance(further, Mapping) else {}

    def rows(name: str, *numbers: str) -> list[Mapping[str, Any]]:
        listed = kept.get(name)
        return [
            row
            for row in (listed if isinstance(listed, list) else [])
            if isinstance(row, Mapping) and all(words.is_number(row.get(key)) for key in numbers)
        ]

    found = [
        f"Polls of {row.get('instrument')}: {row['missed']} missed and {row['failed']} without a reading, of {row['missed'] + row['polls']}"
        for row in rows("polling", "missed", "failed", "polls")
        if row["missed"] or row["failed"]
    ]
    for row in rows("skew", "skew", "standard_uncertainty", "steps"):
        found.append(
            f"Skew: {row.get('instrument')} shows steps of the load {row['skew'] * 1e3:+.0f} ms after {row.get('against')} "
            f"(standard uncertainty {row['standard_uncertainty'] * 1e3:.0f} ms, {row['steps']} steps); readings are not corrected by it"
        )
    return found
