"""What a chosen run would be, before it runs: parameters with ranges, cautions, running order, and all that is wrong.

Reading cards loads heavy libraries; call these from a worker.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from benchrunner.app.model.gates import (
    NONE,
    CheckView,
    Gate,
    Lock,
    Passing,
    checks_before_power,
    of_bench,
)
from benchrunner.errors import Problem, Refused

if TYPE_CHECKING:
    from benchrunner.engine.prepare import Prepared
    from benchrunner.engine.request import RunRequest


@dataclass(frozen=True, slots=True)
class ParameterView:
    """One parameter: its name, what it is, the value that holds unless changed, and its range, all with units."""

    name: str
    says: str
    default: str
    low: str
    high: str
    value: str = ""  # as worked out, with unit


@dataclass(frozen=True, slots=True)
class Preview:
    """The chosen run. `prepared` is the engine's own `prepared` data: also where only gates stand in the way, and empty
    where the files do not go together. Where there are `problems`, nothing may be started."""

    procedure: str
    pairing: str
    bench: str
    title: str = ""
    purpose: str = ""
    cautions: tuple[str, ...] = ()
    parameters: tuple[ParameterView, ...] = ()
    prepared: dict[str, Any] = field(default_factory=dict)
    problems: tuple[Problem, ...] = ()
    simulated: bool | None = None
    attended: bool = True
    checks: tuple[CheckView, ...] = ()  # the checks before power, as they stand; empty on a simulated bench
    served: bool = False  # a bench whose instruments this machine serves: its ports can be chosen
    gates: tuple[Gate, ...] = ()  # that stand, or are waited for, and may be passed by name
    passing: Passing = NONE  # with what this preview was made
    lock: Lock | None = None
    port_base: int | None = None


def preview(
    procedure: str,
    pairing: str,
    bench: str,
    settings: Mapping[str, str],
    operator: str = "",
    acknowledge: str = "",
    port_base: int | None = None,
    passing: Passing = NONE,
) -> Preview:
    """Read everything and say what would run. Never raises for what files can hold: problems are in the answer."""
    from benchrunner.engine.prepare import prepare
    from benchrunner.engine.request import RunRequest
    from benchrunner.engine.whole import prepared_event

    problems: tuple[Problem, ...] = ()
    prepared: dict[str, Any] = {}
    values: dict[str, str] = {}
    served = _served(bench)
    # The name and the acknowledgement are asked for by the window itself before the run; they are no problem of the files.
    request = RunRequest(
        procedure=procedure, pairing=pairing, bench=bench, settings=dict(settings),
        operator=operator or "preview", acknowledge=acknowledge or "preview", attended=True,
        port_base=port_base if served else None,
        override=list(passing.gates), override_by=passing.by, override_why=passing.why,
    )  # fmt: skip
    ready: Prepared | None = None
    try:
        ready = prepare(request)
    except Refused as refused:
        problems = tuple(refused.problems)
        ready = _despite_gates(request)
    except (OSError, ValueError, RecursionError) as error:
        problems = (Problem(procedure, f"cannot be prepared: {error}", "check the three files"),)
    if ready is not None:
        prepared = prepared_event(ready, "").data
        values = {name: _quantity(*value) for name, value in ready.plan.order.parameters.items()}
    title, purpose, cautions, parameters = _procedure(procedure, pairing, bench, values, settings)
    gates, lock, base = of_bench(bench, port_base, problems, passing)
    checks = checks_before_power(bench, base)
    return Preview(
        procedure,
        pairing,
        bench,
        title,
        purpose,
        cautions,
        parameters,
        prepared,
        problems,
        _simulated(bench, prepared),
        checks=checks,
        served=served,
        gates=gates,
        passing=passing,
        lock=lock,
        port_base=base,
    )


def _despite_gates(request: "RunRequest") -> "Prepared | None":
    """The plan of a run that is refused: shown all the same where only gates, a lock or persons stand in its way."""
    from benchrunner.engine.prepare import prepare

    try:
        return prepare(request, despite_gates=True)
    except (Refused, OSError, ValueError, RecursionError):
        return None


def _procedure(
    procedure: str, pairing: str, bench: str, values: Mapping[str, str], settings: Mapping[str, str]
) -> tuple[str, str, tuple[str, ...], tuple[ParameterView, ...]]:
    from benchrunner.procedure.reader import read

    try:
        found = read(procedure)
    except (Refused, OSError):
        return "", "", (), ()
    lookup = _card_values(pairing, bench)
    parameters = tuple(
        ParameterView(
            name,
            parameter.says,
            _shown(parameter.value, lookup, "" if name in settings else values.get(name, "")),
            _worked_out(parameter.range[0], lookup),
            _worked_out(parameter.range[1], lookup),
            values.get(name, ""),
        )
        for name, parameter in found.parameters.items()
    )
    return found.title, " ".join(found.purpose.split()), tuple(found.cautions), parameters


def _card_values(pairing: str, bench: str) -> dict[str, Any]:
    from benchrunner.cards.bench import read_bench
    from benchrunner.cards.pairing import read_pairing

    values: dict[str, Any] = {}
    for read, path in ((read_pairing, pairing), (read_bench, bench)):
        try:
            values |= read(path).values()
        except (Refused, OSError):
            continue
    return values


def _shown(raw: object, lookup: Mapping[str, Any], value: str) -> str:
    """A parameter's own value in words; arithmetic that only the plan can work out as what the plan made of it."""
    text = _worked_out(raw, lookup)
    return value if value and text == str(raw) and not _is_plain(raw) else text


def _is_plain(raw: object) -> bool:
    from benchrunner.units import UnitError, parse

    try:
        parse(str(raw), expect=None if isinstance(raw, str) else "1")
    except UnitError:
        return False
    return True


def _worked_out(raw: object, values: Mapping[str, Any]) -> str:
    """A value of the procedure in words; arithmetic over what is not known here is shown as it is written."""
    from benchrunner.procedure.amounts import parsed
    from benchrunner.procedure.arithmetic import ArithmeticFault, evaluate, unit_text
    from benchrunner.procedure.names import AlreadyReported, Scope

    if _is_plain(raw):
        return str(raw)  # as its author wrote it
    try:
        value = evaluate(parsed(str(raw)), Scope(values).lookup)
        if value.dimension is None or value.number is None or value.number != value.number:
            return str(raw)
        return _quantity(float(value.number), unit_text(value.dimension))
    except (ArithmeticFault, AlreadyReported, ValueError, TypeError, KeyError):
        return str(raw)


def _quantity(value: float, unit: str) -> str:
    """A value as a person would type it: "3 kW", "900 W/m^2"."""
    from benchrunner.units import UnitError, parse, show

    text = show(value, unit, 12)
    if unit == "s" and value >= 120 and value % 60 == 0:
        text = f"{value / 60:g} min" if value < 7200 or value % 3600 else f"{value / 3600:g} h"
    figure, _, word = text.partition(" ")
    if "." in figure and "e" not in figure:
        figure = figure.rstrip("0").rstrip(".")
    short = f"{figure} {word}".strip()
    try:
        good = abs(parse(short, expect=unit).value - value) <= 1e-9 * max(1.0, abs(value))
    except UnitError:
        good = False
    return short if good else text


def _simulated(bench: str, prepared: Mapping[str, Any]) -> bool | None:
    if prepared:
        return bool(prepared.get("simulated"))
    from pathlib import Path

    from benchrunner.app.model.choices import read_choice

    return read_choice(Path(bench)).simulated


def _served(bench: str) -> bool:
    from benchrunner.cards.bench import read_bench

    try:
        return read_bench(bench).card.served is not None
    except (Refused, OSError):
        return False
