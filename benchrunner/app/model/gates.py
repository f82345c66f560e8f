"""What keeps a real bench from being used: gates that stand, and the lock after a trip. Read here, shown by the window.

Which gates may be passed by name is the bench's own rule (`bench.prechecks.MAY_PASS`); here it is only read.
"""

import re
from collections.abc import Iterable
from dataclasses import dataclass

from benchrunner.errors import Problem, Refused

_SAID = re.compile(r"--override ([a-z][a-z-]*)")
CAUTIONS = (
    "A gate stands between people and hazardous voltage, DC arcs, stored energy and backfeed. Passing it by name removes no "
    "hazard: it only says who answers for going on without it.",
    "The bench's own interlock, emergency stop and protective devices must work. This program is not an emergency stop.",
)


RELEASING = (
    "What tripped the bench may still be there, and may have damaged it. Battery and PV terminals stay live. A release removes no "
    "hazard: it only says who answers for the bench being used again.",
    CAUTIONS[1],
)


@dataclass(frozen=True, slots=True)
class Gate:
    """A gate that stands and that a named person may pass. `stops`: it refuses the run; otherwise the run waits for it."""

    name: str
    missing: tuple[str, ...]
    mend: str
    stops: bool = True


@dataclass(frozen=True, slots=True)
class Lock:
    """Why a bench is locked, since when, and where the record of it lies."""

    bench: str
    what: str
    when: str
    record: str


@dataclass(frozen=True, slots=True)
class Passing:
    """Gates that a named person passes for the next run, and for what reason."""

    gates: tuple[str, ...] = ()
    by: str = ""
    why: str = ""

    @property
    def says(self) -> str:
        """In one line."""
        return f"{', '.join(self.gates)}: {self.by}: {self.why}" if self.gates else ""


NONE = Passing()
PROVING = (
    "A check before power is done at the bench, isolated, secured against being switched on again and proved dead where it asks "
    "for it, by a qualified person. Battery and PV terminals stay live; an insulation tester puts a hazardous voltage on the wiring.",
    "What is kept here measures nothing and makes nothing safe: it says who did the check, and what came out. This program is not an "
    "emergency stop.",
)


@dataclass(frozen=True, slots=True)
class CheckView:
    """A check before power and how it stands for this bench card today."""

    name: str
    says: str  # what is done
    measured: bool  # a value and an instrument belong to it
    holds: bool
    stands: str  # the entry that holds, or why there is none


@dataclass(frozen=True, slots=True)
class CheckDone:
    """A check before power that a person has done, to be kept."""

    check: str
    by: str
    result: str  # pass, fail
    value: str = ""
    instrument: str = ""
    note: str = ""
    hours: float = 24.0


def standing(problems: Iterable[Problem]) -> tuple[Gate, ...]:
    """The gates among these problems that may be passed by name, each once."""
    from benchrunner.bench.prechecks import MAY_PASS

    found: dict[str, Gate] = {}
    for problem in problems:
        said = _SAID.search(problem.mend)
        name = said[1] if said else problem.where.rpartition(": ")[2]
        if name not in MAY_PASS:
            continue
        before = found.get(name)
        missing = (*(before.missing if before else ()), problem.what)
        found[name] = Gate(name, missing, before.mend if before else problem.mend)
    return tuple(found.values())


def of_bench(
    path: str, port_base: int | None, problems: Iterable[Problem], passing: Passing
) -> tuple[tuple[Gate, ...], Lock | None, int | None]:
    """Gates that may be passed, the lock if there is one, and the ports that hold (None unless the bench is served)."""
    from benchrunner.bench import locks
    from benchrunner.bench.prechecks import WARM_UP
    from benchrunner.bench.warming import minutes, warm_ups
    from benchrunner.cards.bench import read_bench

    gates = standing(problems)
    try:
        bench = read_bench(path)
    except (Refused, OSError):
        return gates, None, None
    base = port_base if bench.card.served else None
    needs = warm_ups(bench)
    if needs and WARM_UP not in passing.gates and not any(gate.name == WARM_UP for gate in gates):
        says = ", ".join(f"{name} {minutes(time)}" for name, time in needs.items())
        waited = Gate(
            WARM_UP, (f"waited for before the run, as the driver cards ask: {says}",), "wait for it", False
        )
        gates = (*gates, waited)
    trip = locks.locked(bench, base)
    lock = Lock(trip.bench, trip.what, trip.when, trip.record) if trip else None
    return gates, lock, base


def release(path: str, port_base: int | None, by: str, why: str) -> str:
    """Release a locked bench; what was done, in one line. Raises `Refused`."""
    from benchrunner.bench import locks
    from benchrunner.cards.bench import read_bench

    done = locks.release(read_bench(path), port_base, by, why)
    return f"The bench is released by {done.by}. The next record on it tells of the trip and of the release."


def checks_before_power(path: str, port_base: int | None) -> tuple[CheckView, ...]:
    """How each check before power stands for a bench; none where the bench is simulated or cannot be read."""
    from benchrunner.bench import prechecks
    from benchrunner.cards.bench import read_bench

    try:
        bench = read_bench(path)
        if bench.simulated:
            return ()
        found = prechecks.standing(prechecks.history(bench, port_base), prechecks.card_digest(bench))
    except (Refused, OSError):
        return ()
    return tuple(
        CheckView(
            name,
            kind.says,
            kind.measured,
            isinstance(entry := found[name], prechecks.Proof),
            entry.says if isinstance(entry, prechecks.Proof) else entry,
        )
        for name, kind in prechecks.CHECKS.items()
    )


def record_check(path: str, port_base: int | None, done: CheckDone) -> str:
    """Keep a check before power as `benchrunner prove` does; what was kept, in one line. Raises `Refused`."""
    from benchrunner.bench import prechecks
    from benchrunner.cards.bench import read_bench

    proof = prechecks.enter(
        read_bench(path), done.check, done.by, result=done.result, value=done.value, instrument=done.instrument,
        note=done.note, hours=done.hours, port_base=port_base,
    )  # fmt: skip
    return f"Kept: {proof.check}: {proof.says}. It holds for this bench card only: a card that is changed is proved anew."
