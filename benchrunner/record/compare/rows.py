"""Which check belongs to which: the rows of a comparison, the repeats of a group gathered into one."""

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from statistics import fmean
from typing import Any

from benchrunner.record.compare.between import missed_between
from benchrunner.record.compare.shift import (
    CANNOT_TELL,
    ENOUGH,
    FALSE_ALARM,
    IMPROVED,
    WORSE,
    Shift,
    Side,
    judge_shift,
)
from benchrunner.record.opened import Record

RUN = "the run"
WORST = ("fail", "inconclusive", "not judged", "pass", "not applicable")
_OVER = re.compile(r"(worst|spread) of (.+)")


@dataclass(frozen=True, slots=True)
class Row:
    """One check as compared. `step` has `[*]` where repeats were gathered; limits are those of the record."""

    step: str
    id: str
    title: str
    measure: str
    of: str
    unit: str
    low: float | None
    high: float | None
    before: str  # the verdicts
    now: str
    result: Shift


Key = tuple[str, str]


@dataclass
class _Check:
    """All values of one check in one or several records, record by record."""

    facts: dict[str, Any]
    runs: dict[int, list[float]] = field(default_factory=dict)
    taken: list[tuple[Record, Mapping[str, Any]]] = field(default_factory=list)
    uncertainties: list[float | None] = field(default_factory=list)
    verdicts: list[str] = field(default_factory=list)

    def add(self, run: int, record: Record, check: Mapping[str, Any]) -> None:
        self.verdicts.append(str(check.get("verdict")))
        value, expanded, k = (number(check.get(name)) for name in ("value", "uncertainty", "k"))
        if value is not None:
            self.runs.setdefault(run, []).append(value)
            self.taken.append((record, check))
            self.uncertainties.append(expanded / (k or 2.0) if expanded is not None else None)

    @property
    def side(self) -> Side:
        known = [u for u in self.uncertainties if u is not None]
        u = max(known) if known and len(known) == len(self.uncertainties) else None
        verdict = next((word for word in WORST if word in self.verdicts), "not judged")
        within = tuple(map(tuple, self.runs.values()))
        return Side(tuple(fmean(values) for values in within), u, verdict, within)


def rows(record: Record, baseline: Record, repeats: Sequence[Record], same: Mapping[str, bool]) -> list[Row]:
    """All checks of both, the run itself first. `same`: role -> whether one and the same instrument read it in both."""
    now, before = _gathered([record]), _gathered([baseline, *repeats])
    only_before = _gathered([baseline])
    shared = [key for key in now if key in before]
    alarm = FALSE_ALARM / max(sum(1 for key in shared if now[key].runs and before[key].runs), 1)
    digits = {
        c["name"]: (number(c.get("resolution")) or 0.0, str(c.get("unit"))) for c in record.header["channels"]
    }
    at_random = _at_random(record)
    found = [_run(record, baseline)]
    for key in dict.fromkeys([*now, *before]):
        check = now.get(key) or before[key]
        facts = check.facts
        if key not in now or key not in before:
            where = "the baseline has" if key not in before else "the record has"
            sides = (before[key].side if key in before else None, now[key].side if key in now else None)
            result = Shift(
                CANNOT_TELL, f"{where} no such check",
                sides[1].mean if sides[1] and sides[1].values else None,
                sides[0].mean if sides[0] and sides[0].values else None,
            )  # fmt: skip
        else:
            over = _OVER.fullmatch(str(facts.get("measure")))
            now_side, before_side = now[key].side, before[key].side
            if key in only_before:  # what fell from pass to fail is said of the baseline, not of its repeats
                before_side = replace(before_side, verdict=only_before[key].side.verdict)
            if over is not None:
                now_side, before_side = (
                    replace(side, within=_repeats(found_, facts, over[2]))
                    for side, found_ in ((now_side, now), (before_side, before))
                )
            digit, unit = digits.get(str(facts.get("of")), (0.0, ""))
            result = judge_shift(
                now_side, before_side, number(facts.get("low")), number(facts.get("high")), alarm=alarm,
                same_instruments=_same(facts, same), digit=digit if unit == facts.get("unit") and key not in at_random
                else 0.0, at_random=key in at_random or over is not None, derived=unit != facts.get("unit"), extreme=over is not None,
            )  # fmt: skip
            if before[key].side.verdict == now[key].side.verdict:
                result = _unless_between(result, now[key].taken, before[key].taken)
        found.append(
            Row(
                key[0], key[1], str(facts.get("title") or ""), str(facts.get("measure") or ""),
                str(facts.get("of") or ""), str(facts.get("unit") or "1"), number(facts.get("low")),
                number(facts.get("high")), before[key].side.verdict if key in before else "none",
                now[key].side.verdict if key in now else "none", result,
            )
        )  # fmt: skip
    return found


Taken = Sequence[tuple[Record, Mapping[str, Any]]]


def _unless_between(result: Shift, now: Taken, before: Taken) -> Shift:
    """What moved no further than a polled extreme may miss between two readings is not told from chance by a few runs."""
    if result.verdict not in (WORSE, IMPROVED) or len(before) >= ENOUGH or result.shift is None:
        return result
    if abs(result.shift) > max(missed_between(record, facts) for record, facts in (*now, *before)):
        return result
    return replace(
        result,
        verdict=CANNOT_TELL,
        reason=f"beyond what is needed ({result.by}), but this extreme hangs on when the meter was read: it moved no further than "
        f"extremes lie from the readings beside them, and there are {len(before)} earlier values of the {ENOUGH} that it takes",
    )


def _gathered(records: Iterable[Record]) -> dict[Key, _Check]:
    found: dict[Key, _Check] = {}
    for run, record in enumerate(records):
        groups = {step.id: (step.group, step.repeat) for step in record.plan.order.steps}
        for check in record.checks:
            step = str(check.get("step") or "")
            key = (gathered(step, *groups.get(step, ("", 0))), str(check.get("id")))
            found.setdefault(key, _Check(check)).add(run, record, check)
    return found


def gathered(step: str, group: str, repeat: int) -> str:
    """`outage[2]/lose` of the group `outage` becomes `outage[*]/lose`; steps of loops keep their number."""
    mark = f"{group}[{repeat}]"
    return f"{group}[*]{step[len(mark) :]}" if group and step.startswith(mark) else step


def _repeats(
    found: Mapping[Key, _Check], facts: Mapping[str, Any], check: str
) -> tuple[tuple[float, ...], ...]:
    group = f"{facts.get('of')}[*]"
    return next(
        (c.side.within for (step, id_), c in found.items() if id_ == check and step.startswith(group)), ()
    )


def _at_random(record: Record) -> set[Key]:
    """The checks that are judged on a captured wave, which falls anywhere on it."""
    return {
        (gathered(step.id, step.group, step.repeat), check.id)
        for step in record.plan.order.steps
        for check in step.checks
        if check.needs != "polled"
    }


def _same(facts: Mapping[str, Any], same: Mapping[str, bool]) -> bool:
    """Whether the check's instrument is the same in both; what is of no one channel (times) goes by all of them."""
    role = str(facts.get("of") or "").partition(".")[0]
    return same.get(role, all(same.values()))


def _run(record: Record, baseline: Record) -> Row:
    """Whether it came to its end: a guard that ends a run which went through before is worse, whatever was judged."""
    ended, before = str(record.header.get("ended_by")), str(baseline.header.get("ended_by"))
    finished, finished_before = (r.header.get("finished") is True for r in (record, baseline))
    words = (
        "finished" if finished_before else f"ended by {before}",
        "finished" if finished else f"ended by {ended}",
    )
    if finished and finished_before:
        result = Shift("no change", "both came to their end")
    elif finished:
        result = Shift("improved", "it came to its end; the baseline did not") if before == "guard" else Shift(
            CANNOT_TELL, "the baseline did not come to its end"
        )  # fmt: skip
    elif ended == "guard" and finished_before:
        result = Shift(WORSE, f"a guard ended it: {str(record.header.get('reason'))[:200]}")
    else:
        result = Shift(CANNOT_TELL, "the record did not come to its end")
    return Row("", RUN, "", "", "", "1", None, None, words[0], words[1], result)


def number(value: Any) -> float | None:
    """A finite number, or nothing."""
    if (
        isinstance(value, bool)
        or not isinstance(value, int | float)
        or value != value
        or abs(value) == float("inf")
    ):
        return None
    return float(value)
