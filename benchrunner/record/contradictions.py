"""Where the header of a record says otherwise than its own checks, its plan, or the run judged again.

Whoever signs can write any header. What of it follows from the rest of the record is held against that: the verdict on
the whole, whether the bench was simulated, what each check is called and where its limit comes from, how the run ended.
"""

from typing import TYPE_CHECKING, Any

from benchrunner.core.runner import Runner
from benchrunner.procedure.running import GroupCheck, PlannedCheck
from benchrunner.record import codec
from benchrunner.record.imported import imported
from benchrunner.record.seal import worst

if TYPE_CHECKING:
    from benchrunner.record.opened import Record

SHOWN = 120  # characters of what a header says
ENDING = ("finished", "ended_by", "exit")


def contradictions(record: "Record", runner: Runner) -> list[str]:
    """One sentence each; empty where the header agrees. `runner`: after all inputs of the record."""
    header, plan = record.header, record.plan
    found = []
    if (verdict := worst(record.checks)) != header.get("verdict"):
        found.append(
            f"the header's verdict is {_said(header.get('verdict'))}; its checks make it {verdict!r}"
        )
    if header.get("simulated") is not plan.simulated:
        bench = "simulated" if plan.simulated else "not simulated"
        found.append(
            f"the header's 'simulated' is {_said(header.get('simulated'))}; by the plan the bench was {bench}"
        )
    if header.get("seed") != codec.plain(plan.seed):
        found.append(f"the header's seed is {_said(header.get('seed'))}; the plan's is {plan.seed!r}")
    parameters = {name: {"value": v, "unit": u} for name, (v, u) in plan.order.parameters.items()}
    if header.get("parameters") != codec.plain(parameters):
        found.append("the header's parameters are not those of the plan")
    planned = _planned(record)
    for check in record.checks:
        found += _of_check(check, planned)
    if imported(header) is None and runner.exit_code is not None and header.get("gap") is None:
        again = {"finished": runner.finished, "ended_by": runner.ended_by, "exit": runner.exit_code}
        for name in ENDING:
            if header.get(name) != again[name]:
                found.append(
                    f"the header's {name!r} is {_said(header.get(name))}; run again it is {again[name]!r}"
                )
    return found


def _said(value: object) -> str:
    text = repr(value)
    return text if len(text) <= SHOWN else text[:SHOWN] + "..."


def _planned(record: "Record") -> dict[tuple[str, str], PlannedCheck | GroupCheck]:
    order = record.plan.order
    steps: dict[tuple[str, str], PlannedCheck | GroupCheck] = {
        (step.id, check.id): check for step in order.steps for check in step.checks
    }
    return steps | {(check.group, check.id): check for check in order.group_checks}


def _of_check(check: dict[str, Any], planned: dict[tuple[str, str], PlannedCheck | GroupCheck]) -> list[str]:
    """What people read of a check, which the judging does not need: it stands in the plan word for word."""
    plan = planned.get((check["step"], check["id"]))
    if plan is None:  # how long a step waited: its words are the program's, its bound is the step's
        facts: dict[str, object] = {"basis": ""}
    else:
        facts = {"title": plan.title, "limit": plan.limit_text, "basis": plan.basis}
    where = f"{check['step']}/{check['id']}"
    return [
        f"{where}: {name} is {_said(check.get(name))} on record, {_said(wanted)} in the plan"
        for name, wanted in facts.items()
        if check.get(name) != wanted
    ]
