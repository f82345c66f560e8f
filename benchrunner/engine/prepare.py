"""From what a person asked for to a run plan: reads all files, holds them against each other, and refuses with every problem.

Nothing is opened and nothing is switched on here.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TypeVar

from benchrunner.bench.fits import calibration_notes, check_bench, fits
from benchrunner.bench.hosts import live_rate
from benchrunner.bench.locks import lock_problem, untold
from benchrunner.bench.plan import guards as bench_guards
from benchrunner.bench.plan import reaction_time, safe_steps, sources_and_channels
from benchrunner.bench.prechecks import Passed, Proof, pass_gates
from benchrunner.bench.resolving import resolving
from benchrunner.cards.bench import Bench, read_bench
from benchrunner.cards.pairing import PairingCard, read_pairing
from benchrunner.cards.reading import Document, load
from benchrunner.core.evidence import STATEFUL
from benchrunner.core.plan import RunPlan
from benchrunner.engine.files import find_kind
from benchrunner.engine.request import RunRequest
from benchrunner.errors import Problem, Refused
from benchrunner.procedure.guards import merge_guards
from benchrunner.procedure.model import Procedure
from benchrunner.procedure.order import unroll
from benchrunner.procedure.reader import read
from benchrunner.procedure.running import PlannedGuard, RunningOrder
from benchrunner.record.facts import Verbatim

T = TypeVar("T")
LONGEST_NAME = 200  # letters of a person's name


@dataclass(frozen=True)
class Prepared:
    """All that a run needs, read and checked."""

    request: RunRequest
    plan: RunPlan
    pairing: PairingCard
    bench: Bench
    procedure_document: Document
    pairing_document: Document
    start: dict[str, float]  # the state in which the simulated bench is set up
    overridden: tuple[dict[str, str], ...]
    deviations: tuple[str, ...]
    proofs: tuple[Proof, ...] = ()  # the checks before power that hold for this bench card
    profiles: tuple[Verbatim, ...] = ()  # the files that the procedure's orders follow


class _Gathered:
    """Runs parts of the preparation and gathers their refusals, so that all problems are told at once."""

    def __init__(self) -> None:
        self.problems: list[Problem] = []

    def attempt(self, part: Callable[[], T]) -> T | None:
        try:
            return part()
        except Refused as refusal:
            self.problems += refusal.problems
            return None

    def stop_if_any(self) -> None:
        if self.problems:
            raise Refused(dict.fromkeys(self.problems))


def prepare(request: RunRequest, *, despite_gates: bool = False) -> Prepared:
    """Read and check everything. Raises `Refused`.

    `despite_gates`: work out the plan all the same where checks before power, a proof, calibration, a lock or the named
    persons are lacking. Only to show what would run; a run is never started from it.
    """
    gathered = _Gathered()
    gathered.problems += _text_problems(request)
    procedure_path = gathered.attempt(lambda: find_kind(request.procedure, "procedure"))
    pairing_path = gathered.attempt(lambda: find_kind(request.pairing, "pairing card"))
    bench_path = gathered.attempt(lambda: find_kind(request.bench, "bench card"))
    gates = Passed()
    procedure = gathered.attempt(lambda: read(procedure_path)) if procedure_path else None
    pairing = gathered.attempt(lambda: read_pairing(pairing_path)) if pairing_path else None
    bench = gathered.attempt(lambda: read_bench(bench_path)) if bench_path else None
    if bench is not None:
        gathered.problems += _speed_problems(request, bench)
        gates = _gates(request, bench, procedure, pairing)
        if not despite_gates:
            gathered.problems += _gate_problems(request, bench)
            gathered.problems += gates.problems
            gathered.problems += filter(None, [lock_problem(bench, request.bench, request.port_base)])
    if procedure is None or pairing is None or bench is None:
        gathered.stop_if_any()
    assert procedure is not None and pairing is not None and bench is not None
    assert procedure_path is not None and pairing_path is not None
    values = {**pairing.values(), **bench.values()}
    order = gathered.attempt(lambda: unroll(procedure, values, request.settings, seed=request.seed))
    gathered.problems += check_bench(bench, with_calibration=False)  # calibration is one of the gates
    if order is not None:
        gathered.problems += _answer_problems(request, order)
        gathered.problems += fits(order, bench)
        seen = resolving(order, bench, live_rate(bench, request.speed))
        gathered.problems += seen.problems
    gathered.stop_if_any()
    assert order is not None
    plan = plan_of(order, pairing, bench, request.seed, live_rate(bench, request.speed))
    return Prepared(
        request=request,
        plan=plan,
        pairing=pairing,
        bench=bench,
        procedure_document=load(procedure_path),
        pairing_document=load(pairing_path),
        start=_start(order) if bench.simulated else {},
        overridden=gates.overridden,
        proofs=gates.held,
        profiles=tuple(Verbatim(name, file.raw) for name, file in (procedure.profiles or {}).items()),
        deviations=(
            *(f"{name} set to {value}" for name, value in request.settings.items()),
            *_polled_seldom(plan, bench),
            *calibration_notes(bench),
            *seen.notes,
            *(() if despite_gates else (release.says for release in untold(bench, request.port_base))),
        ),
    )


def is_wiring_proof(procedure: Procedure | RunningOrder | None) -> bool:
    """Whether this is the proof itself: it asks first, and judges nothing but the wiring."""
    if procedure is None:
        return False
    measures = {check.measure for step in procedure.steps for check in step.checks}
    return bool(measures) and measures <= set(STATEFUL) and procedure.steps[0].ask is not None


def phases_proved(order: RunningOrder, pairing: PairingCard) -> int:
    """How many phases or legs a wiring proof proves: all of the pairing where it loads each on its own, else 1."""
    orders = {done.setting for step in order.steps for done in step.do}
    return pairing.phases if "load.power_l2" in orders else 1


def _gates(
    request: RunRequest, bench: Bench, procedure: Procedure | None, pairing: PairingCard | None
) -> Passed:
    return pass_gates(
        bench,
        request.bench,
        proof_itself=is_wiring_proof(procedure),
        overrides=request.override,
        by=request.override_by,
        why=request.override_why,
        phases=pairing.phases if pairing is not None else None,
        port_base=request.port_base,
    )


def _polled_seldom(plan: RunPlan, bench: Bench) -> list[str]:
    """What a simulated bench that is served faster than real time costs: said, since extremes may hide between polls."""
    parts = bench.card.instruments
    slow = [s for s in plan.sources if s.period > parts[s.name].period > 0]
    if not slow:
        return []
    longest = max(source.period for source in slow)
    return [
        f"{len(slow)} instruments are polled more seldom than their cards say (up to every {longest:g} s of the bench's "
        "clock), because the bench is served faster than real time: what is shorter than that may go unseen"
    ]


def plan_of(order: RunningOrder, pairing: PairingCard, bench: Bench, seed: int, rate: float = 1.0) -> RunPlan:
    """The run plan; `rate`: bench seconds in a second of a live run. Raises `Refused` where the procedure would loosen a guard."""
    sources, channels, waveforms = sources_and_channels(bench, rate)
    cards: tuple[PlannedGuard, ...] = (
        *bench_guards(bench),
        *(PlannedGuard(**guard) for guard in pairing.guards() if guard["channel"] in channels),
    )
    guards = merge_guards(cards, order.guards)
    return RunPlan(
        order=order,
        sources=sources,
        channels=channels,
        waveforms=waveforms,
        guards=tuple(replace(guard, acts_within=reaction_time(bench, guard, rate)) for guard in guards),
        safe=safe_steps(bench),
        interlock=bench.card.interlock,
        seed=seed,
        simulated=bench.simulated,
        nominal_frequency=pairing.battery_inverter.rated_frequency,
        phases=pairing.phases,
    )


def _text_problems(request: RunRequest) -> list[Problem]:
    """Whatever goes into the record has to be text that can be written, and of a length that a person reads."""
    texts = {
        "the procedure's file": request.procedure,
        "--pairing": request.pairing,
        "--bench": request.bench,
        "--operator": request.operator,
        "--acknowledge": request.acknowledge,
        **{f"--set {name}": f"{name}={value}" for name, value in request.settings.items()},
    }
    problems = []
    for where, text in texts.items():
        shown = where.encode("utf-8", "replace").decode()
        if any(0xD800 <= ord(letter) < 0xE000 or ord(letter) < 32 for letter in text):
            mend = "use letters that can be printed; a terminal in UTF-8 helps, and renaming the file"
            problems.append(Problem(shown, "holds bytes that are no text", mend))
        elif where in ("--operator", "--acknowledge") and len(text) > LONGEST_NAME:
            problems.append(Problem(shown, f"has {len(text)} letters", f"give at most {LONGEST_NAME}"))
    return problems


def _speed_problems(request: RunRequest, bench: Bench) -> list[Problem]:
    if bench.simulated or request.speed in ("max", 1, 1.0):
        return []
    return [
        Problem(
            f"--speed {request.speed}",
            f"{bench.card.title!r} is a real bench; it runs at its own pace",
            "leave --speed out",
        )
    ]


def _answer_problems(request: RunRequest, order: RunningOrder) -> list[Problem]:
    """An answer that no step asks for, most likely a slip in a step's name; and a question that nobody is there to answer."""
    asked = [step.id for step in order.steps if step.ask is not None]
    known = {*asked, *(name.rsplit("/", 1)[-1] for name in asked)}
    mend = (
        f"the steps that ask: {', '.join(asked)}"
        if asked
        else "leave --answers out: no step of it asks anything"
    )
    problems = [
        Problem(f"--answers: {name}", "no step of that name asks anything", mend)
        for name in request.answers
        if name not in known
    ]
    if not request.attended:
        problems += [
            Problem(
                f"step {name}",
                "asks a question, and there is neither a person at the terminal nor an answer to it",
                f'run it at a terminal, or give --answers FILE with a line {name.rsplit("/", 1)[-1]} = "..."',
            )
            for name in asked
            if not {name, name.rsplit("/", 1)[-1]} & set(request.answers)
        ]
    return problems


def _gate_problems(request: RunRequest, bench: Bench) -> list[Problem]:
    """Persons at a real bench: a named operator, and who acknowledged the cautions. (The checks themselves: `_gates`.)

    (Calibration due dates are held against today by `bench.fits.check_bench`, identities when the links are opened.)
    """
    if bench.simulated:
        return []
    problems = []
    if not request.operator.strip():
        problems.append(
            Problem("--operator", "a run on a real bench is armed by a named person", "give --operator NAME")
        )
    if not request.acknowledge.strip():
        problems.append(
            Problem(
                "--acknowledge",
                "nobody has acknowledged the cautions and the pre-power checks",
                "read the procedure's cautions and what was recorded of the checks, then give --acknowledge NAME",
            )
        )
    return problems


def _start(order: RunningOrder) -> dict[str, float]:
    """A simulated bench is set up in the middle of the state that the procedure asks for."""
    return {condition.channel: (condition.low + condition.high) / 2 for condition in order.start}


def default_out(request: RunRequest, order: RunningOrder, pairing_path: Path, stamp: str) -> Path:
    """A folder of the run's own under `--out`, named after what is run."""
    base = f"{Path(request.procedure).stem}-{pairing_path.stem}-{stamp}"
    out = Path(request.out)
    candidate, number = out / base, 2
    while candidate.exists() or candidate.with_name(candidate.name + ".bench").exists():
        candidate = out / f"{base}-{number}"
        number += 1
    return candidate
