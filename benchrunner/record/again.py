"""Re-judging: the record's own inputs through the core once more, value by value against what the record says, and the
header's digests and what else it says against those inputs and the plan.
"""

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from benchrunner.core.rejudge import Difference, differences, replay
from benchrunner.errors import Refused
from benchrunner.procedure.profile import Column, ProfileFile, parse_profile
from benchrunner.procedure.running import PlannedProfile
from benchrunner.record import data_digests
from benchrunner.record.container import ContainerError
from benchrunner.record.contradictions import contradictions
from benchrunner.record.facts import program_facts
from benchrunner.record.imported import imported

if TYPE_CHECKING:
    from benchrunner.record.opened import Record


@dataclass
class Rejudged:
    """The outcome. `ok`: every verdict came out as on record and every value within 1e-9, the header's digests are those
    of the data, and the header contradicts neither its checks nor the plan; `identical`: bit for bit.
    """

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
        strayed = _strayed(record) + data_digests.astray(record) + contradictions(record, runner)
    except (ContainerError, Refused, KeyError, TypeError, ValueError, IndexError) as error:
        why = (
            "; ".join(f"{p.where}: {p.what}" for p in error.problems)
            if isinstance(error, Refused)
            else str(error)
        )
        result.says.append(f"cannot be judged again: {why}")
        return result
    result.checks = list(runner.checks)
    if runner.exit_code is None:  # the journal broke off; what never was judged is on record as just that
        on_record = [check for check in on_record if check.get("verdict") != "not judged"]
        result.says.append("the inputs end before the run did; the checks judged until then are compared")
    result.differences = differences(on_record, result.checks)
    result.identical = not differences(on_record, result.checks, tolerance=0.0)
    result.ok = not result.differences and not strayed
    result.says += strayed
    here, there = program_facts(), record.header.get("program", {})
    if any(here.get(key) != there.get(key) for key in ("version", "platform", "libraries")):
        result.says.append("by another program version or platform than measured")
    if result.ok and imported(record.header) is not None:
        result.says.append(
            "nothing to judge again: imported readings are not judged; their digests are those of the data"
        )
    elif result.ok:
        how = "identically" if result.identical else "to the same verdicts, values within 1e-9"
        result.says.append(f"judged again {how}: {len(result.checks)} checks")
    else:
        result.says += [f"judged again otherwise: {difference}" for difference in result.differences]
    return result


def _strayed(record: "Record") -> list[str]:
    """Where the values that an order followed are not those of the profile that the record carries. Raises `Refused`."""
    entries = record.header.get("profiles", [])
    files = {str(entry["file"]): record.part(str(entry["part"])) for entry in entries}
    read: dict[str, ProfileFile] = {}
    said = []
    for step in record.plan.order.steps:
        for order in step.do:
            if order.profile is None:
                continue
            name = order.profile.file
            if name not in read:
                read[name] = parse_profile(bytes(files.get(name) or b""), name)
            file, column = read[name], read[name].columns.get(order.setting)
            if file.sha256 != order.profile.sha256 or column is None or not _same(order.profile, column):
                said.append(f"step {step.id}: {order.setting} did not follow {name} as the record carries it")
    return said


def _same(profile: PlannedProfile, column: Column) -> bool:
    values = column.values if profile.base == 1.0 else tuple(profile.base * v for v in column.values)
    return (profile.lines, profile.times, profile.values) == (column.lines, column.times, values)
