"""Would a record have passed under other limits? Judges the recorded values again, with the recorded uncertainty; touches nothing."""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from benchrunner.cards import reading
from benchrunner.cards.reading import Document
from benchrunner.errors import Problem, Refused
from benchrunner.judge.rules import judge
from benchrunner.record.opened import Record
from benchrunner.units import UnitError, parse


class NewLimit(BaseModel):
    """What is to hold for one check instead; what is not given stays as it was judged."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    low: str | None = Field(default=None, description='with its unit, "none" for no low limit')
    high: str | None = Field(default=None, description='with its unit, "none" for no high limit')
    rule: Literal["simple", "guarded"] | None = None


class LimitsFile(BaseModel):
    """The file: `format = 1`, and `[checks."step/id"]` for each check that is to be judged otherwise."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    format: Literal[1]
    title: str = Field(default="", max_length=200)
    checks: dict[str, NewLimit] = Field(min_length=1)


@dataclass(frozen=True, slots=True)
class Again:
    """One check under other limits: as recorded, and as it would have been."""

    name: str
    before: Mapping[str, Any]
    after: Mapping[str, Any]
    changed: bool  # whether the file asked for other limits for it


def judge_under(record: Record, file: Path | str) -> list[Again]:
    """Every check of the record, those that `file` names under its limits, the others as they are.

    Raises `Refused` with every problem: an unknown check, a unit that does not fit, limits that make no sense.
    """
    document = reading.load(file)
    wanted = reading.fit(document, LimitsFile).checks
    checks = record.checks
    names = [f"{check['step']}/{check['id']}" for check in checks]
    problems: list[Problem] = []
    for name in wanted:
        if name not in names:
            there = ", ".join(sorted(set(names)))
            mend = (
                f"there are: {there}"[:600] if there else "the record has no checks: nothing in it was judged"
            )
            problems.append(document.problem(("checks", name), "is no check of this record", mend))
    found: list[Again] = []
    for name, check in zip(names, checks, strict=True):
        if name not in wanted:
            found.append(Again(name, check, check, False))
            continue
        try:
            found.append(Again(name, check, _under(check, wanted[name], document, name, problems), True))
        except ValueError as error:
            mend = 'give the lower bound as low, the upper as high; "none" takes one of them away, not both'
            problems.append(document.problem(("checks", name), str(error), mend))
    if problems:
        raise Refused(problems)
    return found


def _under(
    check: Mapping[str, Any], limit: NewLimit, document: Document, name: str, problems: list[Problem]
) -> dict[str, Any]:
    unit = str(check.get("unit") or "1")

    def bound(key: str, text: str | None) -> float | None:
        if text is None:
            value = check.get(key)
            return float(value) if isinstance(value, int | float) else None
        if text.strip().lower() == "none":
            return None
        try:
            return float(parse(text, expect=unit).value)
        except UnitError as error:
            problems.append(document.problem(("checks", name, key), error.what, error.mend))
            return None

    count = len(problems)
    low, high = bound("low", limit.low), bound("high", limit.high)
    if len(problems) > count:
        return dict(check)
    rule = limit.rule or str(check.get("rule") or "simple")
    if check.get("verdict") in ("not judged", "not applicable"):  # there is no value: no limit changes that
        return {**check, "low": low, "high": high, "rule": rule}
    expanded, k = check.get("uncertainty"), float(check.get("k") or 2.0)
    u = float(expanded) / k if isinstance(expanded, int | float) else None
    value = check.get("value")
    number = float(value) if isinstance(value, int | float) else None
    judged = judge(number, u, low, high, rule, k, evaluated=u is not None, unit=unit)
    verdict, reason = str(judged.verdict), judged.reason
    if number is not None and check.get("verdict") == "inconclusive" and _otherwise(check, u, k):
        # it was inconclusive for its data, not for its limits: those stay no ground for a verdict
        verdict, reason = "inconclusive", str(check.get("reason", ""))
    return {
        **check, "low": low, "high": high, "rule": rule, "verdict": verdict, "reason": reason,
        "margin": judged.margin, "margin_in_u": judged.margin_in_u,
    }  # fmt: skip


def _otherwise(check: Mapping[str, Any], u: float | None, k: float) -> bool:
    """Whether the record's own verdict has another ground than value, uncertainty and limits."""
    low, high = check.get("low"), check.get("high")
    if low is None and high is None:
        return True
    rule = str(check.get("rule") or "simple")
    own = judge(float(check["value"]), u, low, high, rule, k, evaluated=u is not None)
    return str(own.verdict) != check.get("verdict")
