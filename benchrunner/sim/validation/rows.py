"""A row of a validation table, and the page that they make."""

import json
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from importlib.metadata import PackageNotFoundError, version
from typing import Any

from benchrunner import data


@dataclass(frozen=True, slots=True)
class Row:
    """One comparison. `allowed` is the largest difference, in the unit of both; `source` names what ours is held against."""

    given: str
    ours: float
    reference: float
    allowed: float
    unit: str
    source: str

    @property
    def difference(self) -> float:
        """Ours less the reference."""
        return self.ours - self.reference

    @property
    def ok(self) -> bool:
        """Within what is allowed."""
        return abs(self.difference) <= self.allowed


@dataclass(frozen=True, slots=True)
class Table:
    """One part's rows, and what of it was not run here and why."""

    title: str
    says: str
    rows: tuple[Row, ...]
    left_out: tuple[str, ...] = ()

    @property
    def ok(self) -> bool:
        """Every row within what is allowed."""
        return all(row.ok for row in self.rows)


@lru_cache(maxsize=1)
def published() -> dict[str, dict[str, Any]]:
    """The published points, by their id (`resources/validation/published.json`)."""
    path = data.folder("resources") / "validation" / "published.json"
    return {row["id"]: row for row in json.loads(path.read_text(encoding="utf-8"))}


def library(name: str) -> str | None:
    """Version of a library that serves as a reference, None where it is not installed."""
    try:
        return version(name)
    except PackageNotFoundError:
        return None


def number(value: float) -> str:
    """Six digits, as a person reads them."""
    if value == 0.0 or not math.isfinite(value):
        return f"{value:g}"
    return f"{value:.6g}" if 1e-4 <= abs(value) < 1e6 else f"{value:.3e}"


def markdown(tables: Sequence[Table], made_with: Iterable[str]) -> str:
    """The page."""
    rows = sum(len(table.rows) for table in tables)
    good = sum(row.ok for table in tables for row in table.rows)
    parts = [
        "# How far the simulated bench can be believed",
        "",
        "Made by `benchrunner validate --out resources/guide/validation.md`; do not edit. Each row holds what the plant gives against"
        " something outside it. *Allowed* was set from what a verdict could see, or from the accuracy of the reference, before"
        " the row was run.",
        "",
        f"**{good} of {rows} rows within what is allowed.** Made with {', '.join(made_with)}.",
    ]
    for table in tables:
        parts += ["", f"## {table.title}", "", table.says, ""]
        parts.append("| given | ours | reference | difference | allowed | unit | held against |")
        parts.append("|---|---:|---:|---:|---:|---|---|")
        for row in table.rows:
            mark = "" if row.ok else " **beyond**"
            parts.append(
                f"| {row.given} | {number(row.ours)} | {number(row.reference)} | {number(row.difference)}{mark} "
                f"| {number(row.allowed)} | {row.unit} | {row.source} |"
            )
        parts += [f"\nNot run here: {text}." for text in table.left_out]
    return "\n".join(parts) + "\n"
