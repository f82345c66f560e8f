"""Re-judging: the record's own inputs through the core once more, value by value against what the record says."""

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from benchrunner.core.rejudge import Difference, differences, replay
from benchrunner.errors import Refused
from benchrunner.record.container import ContainerError
from benchrunner.record.facts import program_facts

if TYPE_CHECKING:
    from benchrunner.record.opened import Record


@dataclass
class Rejudged:
    """The outcome. `ok`: every verdict came out as on record and every value within 1e-9; `identical`: bit for bit."""

    ok: bool = False
    identical: bool = False
    checks: list[dict[str, Any]] = field(default_factory=list)
    differences: list[Difference] = field(default_factory=list)
    says: list[str] = field(default_factory=list)


def rejudge(record: "Record") -> Rejudged:
    """Judge the record again from its inputs. Never raises for what the record holds."""
    result = Rejudged()
    try:
        events = record.events
        start = float(events[0]["at"]) if events else 0.0
        runner = replay(record.plan, (item for _, item in record.inputs()), start)
        on_record = record.checks
    except (ContainerError, Refused, KeyError, TypeError, ValueError, IndexError) as error:
        result.says.append(f"cannot be judged again: {error}")
        return result
    result.checks = list(runner.checks)
    if runner.exit_code is None:  # the journal broke off; what never was judged is on record as just that
        on_record = [check for check in on_record if check.get("verdict") != "not judged"]
        result.says.append("the inputs end before the run did; the checks judged until then are compared")
    result.differences = differences(on_record, result.checks)
    result.identical = not differences(on_record, result.checks, tolerance=0.0)
    result.ok = not result.differences
    here, there = program_facts(), record.header.get("program", {})
    if any(here.get(key) != there.get(key) for key in ("version", "platform", "libraries")):
        result.says.append("by another program version or platform than measured")
    if result.ok:
        how = "identically" if result.identical else "to the same verdicts, values within 1e-9"
        result.says.append(f"judged again {how}: {len(result.checks)} checks")
    else:
        result.says += [f"judged again otherwise: {difference}" for difference in result.differences]
    return result
