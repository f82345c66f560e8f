"""`compare`: a record against its baseline, with earlier repeats of the baseline where there are some."""

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from benchrunner.errors import Problem, Refused
from benchrunner.record.compare.changes import Change, changes, same_instruments
from benchrunner.record.compare.rows import Row, gathered, rows
from benchrunner.record.compare.shift import CANNOT_TELL, IMPROVED, NO_CHANGE, WORSE
from benchrunner.record.compare.traces import Aligned, aligned
from benchrunner.record.imported import imported
from benchrunner.record.opened import Record
from benchrunner.record.verify import verify

EXITS = {NO_CHANGE: 0, IMPROVED: 0, WORSE: 1, CANNOT_TELL: 3}
MOST_REPEATS = 100


@dataclass(frozen=True)
class Comparison:
    """What moved, what went in differently, the steps to lay over each other, and what is assumed."""

    record: Record
    baseline: Record
    repeats: tuple[Record, ...]
    rows: tuple[Row, ...]
    changes: tuple[Change, ...]
    steps: tuple[Aligned, ...]
    assumptions: tuple[str, ...]

    @property
    def verdict(self) -> str:
        """The worst of the rows: worse, cannot tell, improved, no change."""
        there = {row.result.verdict for row in self.rows}
        return next(word for word in (WORSE, CANNOT_TELL, IMPROVED, NO_CHANGE) if word in there)

    @property
    def exit(self) -> int:
        """0 no change or improved, 1 worse, 3 cannot tell."""
        return EXITS[self.verdict]

    def counts(self) -> dict[str, int]:
        """How many rows came to which verdict."""
        return {word: sum(1 for row in self.rows if row.result.verdict == word) for word in EXITS}

    def data(self) -> dict[str, Any]:
        """All of it as plain data, for JSON."""
        sides = {"record": self.record, "baseline": self.baseline}
        return {
            "verdict": self.verdict,
            "exit": self.exit,
            "counts": self.counts(),
            "simulated": self.record.simulated or self.baseline.simulated,
            **{name: {"path": str(r.path), "started": r.header.get("started"), "pairing": r.header["pairing"]["title"],
                      "verdict": r.verdict} for name, r in sides.items()},
            "repeats": [str(r.path) for r in self.repeats],
            "checks": [{**{k: v for k, v in asdict(row).items() if k != "result"}, **asdict(row.result), "verdict": row.result.verdict}
                       for row in self.rows],
            "changes": [asdict(change) for change in self.changes],
            "steps": [asdict(step) for step in self.steps],
            "assumptions": list(self.assumptions),
        }  # fmt: skip


def compare(
    record: Record | Path | str, baseline: Record | Path | str, repeats: Sequence[Record | Path | str] = ()
) -> Comparison:
    """Compare; all three are looked at for being whole first.

    `repeats`: further runs of what the baseline is (same procedure, parameters, pairing and bench card, other seeds or days).
    Raises `Refused` for records that do not verify, that are no runs, or repeats that are none.
    """
    problems: list[Problem] = []
    opened = [_opened(one, problems) for one in (record, baseline, *repeats[:MOST_REPEATS])]
    if len(repeats) > MOST_REPEATS:
        problems.append(Problem("--repeats", f"are more than {MOST_REPEATS} records", "give fewer"))
    if problems:
        raise Refused(problems)
    now, before, *others = (one for one in opened if one is not None)
    problems += _no_repeats(now, before, others)
    if problems:
        raise Refused(problems)
    same = same_instruments(now, before)
    try:
        found = rows(now, before, others, same)
        differing = changes(now, before)
        steps = aligned(now, before, _moved(found, now))
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise Refused(
            Problem(
                str(now.path), f"cannot be compared: {type(error).__name__}: {error}",
                "one of the records was not written as its format says",
            )
        ) from error  # fmt: skip
    return Comparison(
        now,
        before,
        tuple(others),
        tuple(found),
        tuple(differing),
        tuple(steps),
        tuple(_assumed(found, others, same)),
    )


def _moved(found: Sequence[Row], record: Record) -> dict[str, list[str]]:
    """Step -> the channels of what is worse there, then of what cannot be told, then of what is improved."""
    steps = {step.id: gathered(step.id, step.group, step.repeat) for step in record.plan.order.steps}
    return {
        name: [
            row.of
            for word in (WORSE, CANNOT_TELL, IMPROVED)
            for row in found
            if row.step == key and row.result.verdict == word
        ]
        for name, key in steps.items()
    }


def _opened(one: Record | Path | str, problems: list[Problem]) -> Record | None:
    path = one.path if isinstance(one, Record) else Path(one)
    result = verify(path, allow_unsigned=True)
    if result.none is not None:
        problems.append(result.none)
        return None
    if result.findings:
        what = "; ".join(str(finding) for finding in result.findings[:3])
        problems.append(Problem(str(path), f"does not verify: {what}", "give the record as it was sealed"))
        return None
    found = one if isinstance(one, Record) else Record.open(path)
    if imported(found.header) is not None:
        what = "was imported, not measured by us, and holds no checks to compare"
        problems.append(
            Problem(str(path), what, "give records of runs; 'export' serves to compare readings by hand")
        )
    return found


def _no_repeats(record: Record, baseline: Record, repeats: Sequence[Record]) -> list[Problem]:
    """Repeats that would lie about the spread: the record itself, one given twice, another pairing or procedure."""
    problems = []
    seen = {_identity(record): "the record", _identity(baseline): "the baseline"}
    if len(seen) == 1:
        problems.append(
            Problem(str(record.path), "is record and baseline at once", "give two different records")
        )
    for other in repeats:
        known = seen.setdefault(_identity(other), f"the repeat {other.path.name}")
        if known != f"the repeat {other.path.name}":
            problems.append(Problem(str(other.path), f"is {known}, not one more repeat", "leave it out"))
            continue
        problems += _differences(other, baseline)
    return problems


def _differences(other: Record, baseline: Record) -> list[Problem]:
    """Why a record is no repeat of the baseline: each file and each parameter that differs, with both values."""
    found = []
    for part in ("procedure", "pairing", "bench"):
        this, that = other.header[part], baseline.header[part]
        if this.get("sha256") != that.get("sha256"):
            sides = [f"{card.get('file')} {str(card.get('sha256'))[:8]}" for card in (this, that)]
            what = f"is no repeat of the baseline: another {part} ({sides[0]}, the baseline has {sides[1]})"
            found.append(
                Problem(str(other.path), what, f"give runs with the same {part}, or leave this one out")
            )
    this, that = other.header.get("parameters"), baseline.header.get("parameters")
    if this != that:
        this, that = (side if isinstance(side, dict) else {} for side in (this, that))
        for name in sorted({*this, *that}):
            if this.get(name) == that.get(name):
                continue
            here, there = _set(this.get(name)), _set(that.get(name))
            what = f"is no repeat of the baseline: parameter {name} was {here}, in the baseline {there}"
            mend = (
                f'run again with --set {name}="{there}", or leave this one out'
                if name in that
                else "leave this one out"
            )
            found.append(Problem(str(other.path), what, mend))
    return found


def _set(parameter: Any) -> str:
    """A parameter as it would be typed: number and unit."""
    if not isinstance(parameter, dict):
        return "not set"
    value, unit = parameter.get("value"), str(parameter.get("unit", "1"))
    if isinstance(value, bool) or not isinstance(value, int | float):
        return str(value)
    return f"{value:.10g}" if unit == "1" else f"{value:.10g} {unit}"


def _identity(record: Record) -> str:
    import hashlib

    return hashlib.sha256(bytes(record.part("header.json") or b"")).hexdigest()


def _assumed(found: Sequence[Row], repeats: Sequence[Record], same: dict[str, bool]) -> list[str]:
    compared = sum(1 for row in found if row.result.needed is not None)
    scatter = "" if repeats else ", as far as the uncertainty goes: scatter from run to run is not in it"
    if not compared:
        return ["No check of the two was held against the other's: none stands in both with a value."]
    lines = [
        f"Of {compared} compared checks together, at most 5 in 100 comparisons without any change are called worse "
        f"(the rate is shared out among the checks, Bonferroni){scatter}.",
        "U of a shift: square root of the sum of both squared standard uncertainties, times 2 (JCGM 100:2008, 5.1.2), as if "
        "the two results were independent. What one and the same meter adds to both cancels in a shift (5.2.2), so this "
        "figure is then too large rather than too small.",
        "Margins of both are held against the limits of the record.",
    ]
    if any("repeatability" in row.result.by for row in found):
        lines.append(
            "Repeatability: Student's t of the standard deviation of the runs, a mean of each where steps are repeated in it "
            "(values taken as normal, of one scatter before and now). It decides where the instruments are the same, never below "
            "two digits of the meter or, for times, rates and energies, the uncertainty; with other instruments both count."
        )
    if not repeats:
        lines.append(
            "Where no run was repeated, scatter from run to run is not known: a shift beyond U is a difference between "
            "these two runs, and --repeats of the baseline would show whether it is more. Times, rates and energies, which hang "
            "on where a run began, are then not told from chance."
        )
    other = [role for role, one in same.items() if not one]
    if other:
        lines.append(f"Other instruments, or another calibration, than in the baseline: {', '.join(other)}.")
    return lines
