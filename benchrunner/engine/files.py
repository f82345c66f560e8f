"""Any file a person may hand to `check`: which kind it is, what is wrong with it, and what it says."""

import json
import re
from pathlib import Path

from pydantic import BaseModel

from benchrunner import data
from benchrunner.cards.bench import BenchCard, fit_bench
from benchrunner.cards.driver import DriverCard, fit_driver
from benchrunner.cards.pairing import PairingCard, read_pairing
from benchrunner.cards.preflight import preflight
from benchrunner.cards.reading import Document, load
from benchrunner.errors import Problem, Refused
from benchrunner.procedure.amounts import shown
from benchrunner.procedure.order import unroll
from benchrunner.procedure.reader import check_file, read
from benchrunner.procedure.running import GroupCheck, PlannedCheck
from benchrunner.procedure.schema import procedure_schema_text

KIND_KEYS = (
    ("battery_inverter", "pairing card"),
    ("instruments", "bench card"),
    ("link", "driver card"),
    ("steps", "procedure"),
)
FOLDERS = {
    "procedure": ("procedures",),
    "pairing card": ("resources", "pairings"),
    "bench card": ("resources", "benches"),
}


def kind_of(document: Document) -> str:
    """Which kind of file it is, by the key that only that kind has; a file with none of them is read as a procedure."""
    return next((kind for key, kind in KIND_KEYS if key in document.data), "procedure")


def find_kind(name: str, kind: str) -> Path:
    """The file meant by `name`. Raises `Refused` if there is none, or if it clearly is a file of another kind."""
    path = data.find(name, *FOLDERS[kind])
    document = load(path)
    if (found := kind_of(document)) != kind and any(key in document.data for key, _ in KIND_KEYS):
        order = "benchrunner run PROCEDURE --pairing CARD --bench CARD"
        raise Refused(Problem(name, f"is a {found}, not a {kind}", f"give each in its place: {order}"))
    return path


def check_any(path: Path, pairing: str = "") -> tuple[list[Problem], str, list[str]]:
    """Problems, kind, and lines for people. Raises `Refused` where the file cannot be read at all."""
    document = load(path)
    kind = kind_of(document)
    if kind == "pairing card":
        return [], kind, list(preflight(read_pairing(path)))
    if kind == "bench card":
        from benchrunner.bench.fits import check_bench

        bench = fit_bench(document)
        problems = check_bench(bench)
        if bench.card.draft:  # readable, and no run starts on it: what it lacks is a list of things to do
            return [], "bench card, a draft", [f"to do: {problem}" for problem in problems]
        return problems, kind, []
    if kind == "driver card":
        fit_driver(document)
        return [], kind, []
    problems = check_file(path)
    if problems or not pairing:
        return problems, kind, []
    return [], kind, _order(path, pairing)


def _order(path: Path, pairing: str) -> list[str]:
    """The running order in lines. Values of a bench card are taken from the simulated bench."""
    from benchrunner.cards.bench import read_bench

    card = read_pairing(find_kind(pairing, "pairing card"))
    bench = read_bench(data.find("simulated", "resources", "benches"))
    order = unroll(read(path), {**card.values(), **bench.values()}, {})
    lines = [
        f"start: {c.channel} from {shown(c.low, c.unit)} to {shown(c.high, c.unit)}" for c in order.start
    ]
    for number, step in enumerate(order.steps, 1):
        lines.append(
            f"{number}. {step.id}: {step.title} (at most {shown(step.at_most, 's')}, else {step.if_not})"
        )
        lines += [f"     set {o.text or o.setting}" for o in step.do]
        if step.until is not None:
            lines.append(f"     until {step.until.text}")
        lines += [f"     check {c.id}: {c.measure} of {c.of or 'the step'}, {_limit(c)}" for c in step.checks]
    lines += [
        f"over the repeats: check {c.id}: {c.over} of {c.check}, {_limit(c)}" for c in order.group_checks
    ]
    return lines


def _limit(check: PlannedCheck | GroupCheck) -> str:
    """The limit as a number, and how the procedure says it where that is more than the number."""
    ends = [("at least", check.low), ("at most", check.high)]
    text = " and ".join(f"{word} {shown(bound, check.unit)}" for word, bound in ends if bound is not None)
    return f"{text} ({check.limit_text})" if re.search("[a-z_]{3,}[.][a-z]", check.limit_text) else text


def schemas() -> dict[str, str]:
    """The JSON Schema of each kind of file as text, by name; the same texts lie in resources/schemas."""
    cards: dict[str, type[BaseModel]] = {"pairing": PairingCard, "bench": BenchCard, "driver": DriverCard}
    texts = {name: _schema_text(model) for name, model in cards.items()}
    return {"procedure": procedure_schema_text(), **texts}


def _schema_text(model: type[BaseModel]) -> str:
    return json.dumps(model.model_json_schema(), indent=2, ensure_ascii=False) + "\n"
