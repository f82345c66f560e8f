"""Turns the values of a procedure file into SI numbers of the unit that is wanted, and collects what is wrong.

Everything that is wrong is collected with its place in the file, so that a person sees all of it at once. A number
that cannot be known yet (no cards) or is at fault comes back as NaN and is not complained about twice.
"""

import math
from dataclasses import dataclass, field
from functools import lru_cache

from benchrunner.cards.reading import Document, KeyPath, key_text
from benchrunner.errors import Problem, Refused
from benchrunner.procedure.arithmetic import (
    NONE,
    ArithmeticFault,
    Node,
    Value,
    dimension_of,
    evaluate,
    parse,
    unit_text,
)
from benchrunner.procedure.model import Amount
from benchrunner.procedure.names import AlreadyReported, Scope

_EXAMPLES = {
    "V": "230 V",
    "A": "10 A",
    "W": "2.4 kW",
    "Hz": "50.2 Hz",
    "s": "30 s",
    "K": "25 degC",
    "1": "95 %",
}


@lru_cache(maxsize=4096)
def parsed(text: str) -> Node:
    """As `arithmetic.parse`; the same texts come again in every repeat."""
    return parse(text)


@dataclass
class Findings:
    """What is wrong so far, with where; each thing once."""

    document: Document | None
    source: str = "procedure"
    _found: dict[Problem, tuple[int, KeyPath]] = field(default_factory=dict)

    def add(self, path: KeyPath, what: str, mend: str) -> None:
        """Something wrong with the value at `path`."""
        if self.document is not None:
            self._found.setdefault(self.document.problem(path, what, mend), (self.document.line(path), path))
        else:
            self._found.setdefault(Problem(key_text(path) or self.source, what, mend), (0, path))

    def note(self, problem: Problem) -> None:
        """A problem that has its place already, outside the file."""
        self._found.setdefault(problem, (0, ()))

    @property
    def placed(self) -> list[tuple[KeyPath, Problem]]:
        """All of them with their places, in the order of the file."""
        ordered = sorted(self._found.items(), key=lambda pair: pair[1][0])
        return [(path, problem) for problem, (_, path) in ordered]

    @property
    def problems(self) -> list[Problem]:
        """All of them in the order of the file."""
        return [problem for _, problem in self.placed]

    def refuse(self) -> None:
        """Raise `Refused` with all of them, if there are any."""
        if self._found:
            raise Refused(self.problems)


@dataclass
class Base:
    """What percentages in one item are of; `used` tells whether any value needed it."""

    path: KeyPath
    raw: Amount | None
    used: bool = False


class Amounts:
    """Works values out within one scope."""

    def __init__(self, scope: Scope, findings: Findings) -> None:
        self.scope = scope
        self.findings = findings

    def within(self, scope: Scope) -> "Amounts":
        """The same findings, another scope (loop variables)."""
        return Amounts(scope, self.findings)

    def value(self, path: KeyPath, raw: Amount) -> Value | None:
        """The value with whatever dimension it has, or None where it is at fault (which is then noted)."""
        try:
            if isinstance(raw, str):
                return evaluate(parsed(raw), self.scope.lookup)
            if not math.isfinite(raw):
                raise ArithmeticFault("is not a finite number", "give a number")
            return Value(float(raw), NONE, "number")
        except ArithmeticFault as fault:
            self.findings.add(path, f"({_short(raw)}) {fault.what}", fault.mend)
        except AlreadyReported:
            pass
        return None

    def number(self, path: KeyPath, raw: Amount, unit: str, base: Base | None = None) -> float:
        """The value in `unit`, in SI; NaN where it is at fault or not known yet."""
        value = self.value(path, raw)
        if value is None:
            return math.nan
        if (
            value.bare
            and base is not None
            and base.raw is not None
            and (value.bare == "percentage" or unit == "1")
        ):
            base.used = True
            return value.number * self.number(base.path, base.raw, unit)
        if value.dimension is None or value.dimension == dimension_of(unit):
            return value.number
        example = _EXAMPLES.get(unit, f"1 {unit}")
        if value.bare == "percentage":
            self.findings.add(
                path,
                f"({_short(raw)}) is a percentage where {unit} is needed",
                'say of what: add base = "...", or write 2 % * x',
            )
        elif value.bare == "number":
            self.findings.add(
                path, f"({_short(raw)}) has no unit; {unit} is needed", f"add the unit, such as {example!r}"
            )
        else:
            self.findings.add(
                path,
                f"({_short(raw)}) is in {unit_text(value.dimension)}; {unit} is needed",
                f"give a value such as {example!r}",
            )
        return math.nan

    def bound(self, path: KeyPath, raw: Amount | None, unit: str, base: Base | None = None) -> float | None:
        """As `number`; None stays None."""
        return None if raw is None else self.number(path, raw, unit, base)

    def seconds(self, path: KeyPath, raw: Amount, least: float = 0.0, most: float = 30 * 86400.0) -> float:
        """A time within sensible bounds, s."""
        number = self.number(path, raw, "s")
        if number < least or number > most:
            self.findings.add(
                path, f"({_short(raw)}) comes to {number:g} s", f"give a time from {least:g} s to {most:g} s"
            )
            return math.nan
        return number

    def finish(self, base: Base) -> None:
        """Note a base that nothing refers to."""
        if base.raw is not None and not base.used:
            self.findings.add(
                base.path,
                "is not used: no value beside it is a percentage",
                "remove it, or write the values in %",
            )


def _short(raw: Amount) -> str:
    text = str(raw)
    return text if len(text) <= 60 else text[:57] + "..."


def shown(value: float | None, unit: str, difference: bool = False) -> str:
    """The value for people, without idle zeros; "?" where it is not known. A temperature reads in degrees Celsius, a
    `difference` of two in kelvins."""
    from benchrunner import units

    if value is None or math.isnan(value):
        return "?"
    if unit == "K" and not difference:
        return f"{value - 273.15:.4g} \u00b0C"
    figure, space, rest = units.show(value, unit, percent=unit == "1" and 0 < abs(value) < 1).partition(" ")
    if "." in figure and "e" not in figure:
        figure = figure.rstrip("0").rstrip(".")
    return f"{figure}{space}{rest}"
