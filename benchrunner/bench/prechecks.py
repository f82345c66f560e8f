"""What people prove on a bench before power, and the wiring proof: kept with name, time and validity, and asked for by a run.

The program can't measure insulation or press an emergency stop; it keeps who did, when, with what, and what came out.
One history for each bench (its title and addresses, `locks.identity`) in the user's state folder, a line for each
entry, never changed: each line carries the digest of the line before it. An entry holds for the very bench card that it
was made for (SHA-256 of its bytes) and until its time is over; changed wiring means a changed card, and proving anew.
"""

import datetime
import getpass
import hashlib
import json
import os
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from benchrunner.bench import locks
from benchrunner.bench.fits import calibration
from benchrunner.cards.bench import Bench
from benchrunner.errors import Problem, Refused

WIRING = "wiring-proof"
LONGEST_TEXT = 300  # letters of a name, a value, a note
LARGEST_HISTORY = 20_000_000  # bytes
DEFAULT_HOURS, MOST_HOURS = 24.0, 24.0 * 92


@dataclass(frozen=True)
class Kind:
    """One check before power: what is done, and whether a measured value and an instrument belong to it."""

    says: str
    measured: bool = False


CHECKS = {
    "insulation": Kind("insulation resistance of AC and DC wiring, measured with the bench dead", True),
    "polarity": Kind("polarity of line and neutral, of battery and of PV conductors"),
    "protective-earth": Kind("continuity of the protective earth to every exposed part", True),
    "neutral-bond": Kind("neutral bonded to earth at exactly one place, on the grid and as an island"),
    "residual-current-device": Kind("residual-current device tripped with a tester: current and time", True),
    "emergency-stop": Kind("emergency stop and interlock proved by pressing and opening each"),
}
GATES = (*CHECKS, WIRING)
WARM_UP = "warm-up"  # waited for once the instruments are known to be on (engine.warming), or passed by name
CALIBRATION = "calibration"  # due dates on the bench card
SERIAL = "serial-number"  # an exchanged instrument of the same kind (engine.serials), read when the links are opened
MAY_PASS = (*GATES, WARM_UP, CALIBRATION, SERIAL)


@dataclass(frozen=True)
class Proof:
    """One entry. Times are RFC 3339 in UTC; `card`: SHA-256 of the bench card; `before`: of the line before this one."""

    check: str
    result: str  # pass, fail
    by: str
    at: str
    until: str
    card: str
    bench: str = ""
    value: str = ""
    instrument: str = ""
    note: str = ""
    record: str = ""  # of the wiring proof: the record's file name
    phases: str = ""  # of the wiring proof: phases or legs that it proved, "1", "2" or "3"
    account: str = ""  # of the machine, under which it was entered
    before: str = ""

    @property
    def says(self) -> str:
        """In one line."""
        more = "".join(f", {text}" for text in (self.value, self.instrument, self.note, self.record) if text)
        return f"{self.result}, {self.by}, {self.at}{more}; holds until {self.until}"


def card_digest(bench: Bench) -> str:
    """SHA-256 of the card's bytes, in hex."""
    return hashlib.sha256(bench.document.raw).hexdigest()


def history_path(bench: Bench, port_base: int | None = None) -> Path:
    """Where the history of this bench lies."""
    return locks.state_folder() / f"{locks.identity(bench, port_base)}.proofs"


def history(bench: Bench, port_base: int | None = None) -> list[Proof]:
    """All entries of this bench, oldest first. Raises `Refused` where a line was changed or lost, at the end too."""
    return _history(history_path(bench, port_base))


def _history(path: Path) -> list[Proof]:
    head = _head(path)
    try:
        if path.stat().st_size > LARGEST_HISTORY:
            raise Refused(
                Problem(str(path), "is too large to be a history of proofs", "put it away, and prove anew")
            )
        lines = path.read_bytes().splitlines()
    except FileNotFoundError:
        lines = []
    except OSError as error:
        raise Refused(
            Problem(str(path), f"cannot be read: {error.strerror}", "check the folder's rights")
        ) from error
    found: list[Proof] = []
    before = ""
    for number, line in enumerate(lines, 1):
        try:
            data = json.loads(line)
            proof = Proof(**data)
            whole = proof.before == before and all(isinstance(value, str) for value in data.values())
        except (ValueError, TypeError, RecursionError):
            whole = False
        if not whole:
            mend = "a line was changed or lost: put the file away as it is, find out why, and prove anew"
            raise Refused(Problem(f"{path}:{number}", "does not follow from the line before it", mend))
        found.append(proof)
        before = hashlib.sha256(line).hexdigest()
    if head is not None:
        count, digest = head
        # a line more than the head knows is what a crash between the two leaves; a line less was cut off
        if len(lines) < count or (count and hashlib.sha256(lines[count - 1]).hexdigest() != digest):
            what = f"holds {len(lines)} entries, where {count} were written: its end was cut off or replaced"
            mend = f"put it and {_head_path(path).name} away as they are, find out why, and prove anew"
            raise Refused(Problem(str(path), what, mend))
    return found


def _head_path(path: Path) -> Path:
    return path.with_suffix(".proofs-head")


def _head(path: Path) -> tuple[int, str] | None:
    """How many lines were written, and the digest of the last; None where there is no head (an older history)."""
    beside = _head_path(path)
    try:
        with beside.open("rb") as file:
            data = json.loads(file.read(1000))
        count, digest = data["entries"], data["last"]
        if type(count) is not int or count < 0 or not isinstance(digest, str):
            raise ValueError(count)
    except FileNotFoundError:
        return None
    except (OSError, ValueError, TypeError, KeyError, RecursionError) as error:
        mend = "put it and the history away as they are, find out why, and prove anew"
        raise Refused(Problem(str(beside), "is no head of a history of proofs", mend)) from error
    return count, digest


def _write_head(path: Path, count: int, last: bytes) -> None:
    beside = _head_path(path)
    new = beside.with_name(beside.name + f".{os.getpid()}")
    with new.open("wb") as file:
        file.write(json.dumps({"entries": count, "last": hashlib.sha256(last).hexdigest()}).encode())
        file.flush()
        os.fsync(file.fileno())
    new.replace(beside)


def enter(
    bench: Bench,
    check: str,
    by: str,
    *,
    result: str = "pass",
    value: str = "",
    instrument: str = "",
    note: str = "",
    hours: float = DEFAULT_HOURS,
    port_base: int | None = None,
) -> Proof:
    """Keep a check that was done. Raises `Refused` with every problem."""
    given = {"--by": by, "--value": value, "--instrument": instrument, "--note": note}
    problems = [*_texts(given)]
    if check not in CHECKS:
        problems.append(
            Problem(
                f"--check {check}",
                "is no check before power" if check != WIRING else "is a run of its own, kept when it ends",
                f"there are: {', '.join(CHECKS)}"
                if check != WIRING
                else "benchrunner run wiring-proof --bench CARD --operator NAME --acknowledge NAME",
            )
        )
    if not by.strip():
        problems.append(Problem("--by", "is missing", "say who did the check"))
    if result not in ("pass", "fail"):
        problems.append(Problem(f"--result {result}", "is no result", "give pass or fail"))
    if not 0.0 < hours <= MOST_HOURS:
        problems.append(
            Problem(f"--hours {hours:g}", "is no validity", f"give more than 0 and at most {MOST_HOURS:g}")
        )
    if check in CHECKS and CHECKS[check].measured:
        for option, text in (("--value", value), ("--instrument", instrument)):
            if not text.strip():
                what = f"is missing: {check} is measured"
                problems.append(
                    Problem(option, what, "give what was read, and the tester's name or serial number")
                )
    if problems:
        raise Refused(problems)
    now = _now()
    until = now + datetime.timedelta(hours=hours)
    return _append(
        bench, port_base, check=check, result=result, by=by.strip(), at=_text(now), until=_text(until),
        value=value.strip(), instrument=instrument.strip(), note=note.strip(),
    )  # fmt: skip


def enter_wiring(
    bench: Bench,
    passed: bool,
    by: str,
    record: str,
    note: str = "",
    port_base: int | None = None,
    phases: int = 1,
) -> Proof:
    """Keep the outcome of a wiring proof; it holds for the rest of the day (by the machine's clock and zone).

    `phases`: 1 for a proof of the whole bench, 2 or 3 for one of its legs or phases.
    """
    now = _now()
    midnight = (now.astimezone() + datetime.timedelta(days=1)).replace(
        hour=0, minute=0, second=0, microsecond=0
    )
    return _append(
        bench, port_base, check=WIRING, result="pass" if passed else "fail", by=(by.strip() or "not named")[:LONGEST_TEXT],
        at=_text(now), until=_text(midnight.astimezone(datetime.UTC)), note=note[:LONGEST_TEXT], record=record[:LONGEST_TEXT],
        phases=str(phases),
    )  # fmt: skip


def _append(bench: Bench, port_base: int | None, **entry: Any) -> Proof:
    path = history_path(bench, port_base)
    history(bench, port_base)  # nothing is added to a damaged one
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        lines = path.read_bytes().splitlines() if path.exists() else []
        before = hashlib.sha256(lines[-1]).hexdigest() if lines else ""
        proof = Proof(
            card=card_digest(bench), bench=bench.card.title, account=_account(), before=before, **entry
        )
        line = json.dumps(asdict(proof), ensure_ascii=False, sort_keys=True).encode("utf-8") + b"\n"
        with path.open("ab") as file:
            file.write(line)
            file.flush()
            os.fsync(file.fileno())
        _write_head(path, len(lines) + 1, line.rstrip(b"\n"))
    except OSError as error:
        raise Refused(
            Problem(str(path), f"cannot be written: {error.strerror}", "check the folder's rights")
        ) from error
    return proof


def standing(
    entries: Iterable[Proof], card: str, now: datetime.datetime | None = None, phases: int | None = None
) -> dict[str, Proof | str]:
    """For each gate the entry that holds now, or why there is none. The newest entry for this card counts.

    `phases` of the pairing: a wiring proof of so many counts, and no other; None: whichever came last.
    """
    now = now or _now()
    newest: dict[str, Proof] = {}
    other: set[str] = set()
    unfit = ""
    for proof in entries:
        if proof.check == WIRING and proof.card == card and phases and (proof.phases or "1") != str(phases):
            unfit = f"only one of {proof.phases or 1} phases or legs, where the pairing has {phases}"
        elif proof.card == card:
            newest[proof.check] = proof
        else:
            other.add(proof.check)
    found: dict[str, Proof | str] = {}
    for gate in GATES:
        proof_of = newest.get(gate)
        if proof_of is None:
            found[gate] = "only for an earlier bench card" if gate in other else "nobody has recorded it"
            if gate == WIRING and unfit:
                found[gate] = unfit
        elif proof_of.result != "pass":
            found[gate] = f"it failed ({proof_of.by}, {proof_of.at})"
        elif _moment(proof_of.until) <= now:
            found[gate] = f"it held until {proof_of.until}"
        elif _moment(proof_of.at) > now + datetime.timedelta(minutes=5):
            found[gate] = f"it is dated in the future ({proof_of.at}): check the clock"
        else:
            found[gate] = proof_of
    return found


@dataclass(frozen=True)
class Passed:
    """What the gates came to: what refuses the run, the gates passed by name, the entries that hold."""

    problems: tuple[Problem, ...] = ()
    overridden: tuple[dict[str, str], ...] = ()
    held: tuple[Proof, ...] = ()


def pass_gates(
    bench: Bench,
    bench_name: str,
    *,
    proof_itself: bool = False,
    overrides: Sequence[str] = (),
    by: str = "",
    why: str = "",
    port_base: int | None = None,
    phases: int | None = None,
) -> Passed:
    """The gates of a real bench; a simulated one has none. `proof_itself`: this run is the wiring proof; `phases` of
    the pairing: its wiring proof must be one of so many.

    Overrides name gates; each one needed is kept with name, reason and what was missing.
    """
    problems = [*_texts({"--by": by, "--why": why})]
    for gate in overrides:
        if gate not in MAY_PASS:
            problems.append(Problem(f"--override {gate}", "is no gate", f"there are: {', '.join(MAY_PASS)}"))
    if overrides and not (by.strip() and why.strip()):
        mend = "give --by NAME and --why TEXT; the record keeps both"
        problems.append(Problem("--override", "a gate is passed by a named person for a stated reason", mend))
    if bench.simulated:
        return Passed(tuple(problems))
    try:
        entries = history(bench, port_base)
    except Refused as refusal:
        return Passed((*problems, *refusal.problems))
    passed, held = [], []
    for gate, found in standing(entries, card_digest(bench), phases=phases).items():
        if isinstance(found, Proof):
            held.append(found)
        elif gate == WIRING and proof_itself:
            continue
        elif gate in overrides:
            passed.append(
                {"gate": gate, "by": by.strip(), "why": why.strip(), "at": _text(_now()), "missing": found}
            )
        elif gate == WIRING:
            what = f"no wiring proof holds for this bench card today: {found}"
            which = (
                "wiring-proof"
                if phases == 1
                else "wiring-proof-legs"
                if phases
                else "wiring-proof (or wiring-proof-legs)"
            )
            mend = f"benchrunner run {which} --bench {bench_name}; or --override {gate} --by NAME --why TEXT"
            problems.append(Problem(f"{bench_name}: {gate}", what, mend))
        else:
            what = f"{CHECKS[gate].says}: {found}"
            mend = f"do it, then: benchrunner prove {bench_name} --check {gate} --by NAME"
            mend += " --value TEXT --instrument TEXT" if CHECKS[gate].measured else ""
            problems.append(Problem(f"{bench_name}: {gate}", what, mend))
    late = calibration(bench)
    if late and CALIBRATION in overrides:
        missing = "; ".join(f"{problem.where}: {problem.what}" for problem in late)
        passed.append(
            {
                "gate": CALIBRATION,
                "by": by.strip(),
                "why": why.strip(),
                "at": _text(_now()),
                "missing": missing,
            }
        )
    else:
        problems += late
    return Passed(tuple(problems), tuple(passed), tuple(held))


def _texts(given: dict[str, str]) -> list[Problem]:
    return [
        Problem(
            option,
            "is too long, or holds what cannot be printed",
            f"give at most {LONGEST_TEXT} plain letters",
        )
        for option, text in given.items()
        if len(text) > LONGEST_TEXT or (text and not text.isprintable())
    ]


def _now() -> datetime.datetime:
    return datetime.datetime.now(datetime.UTC)


def _text(moment: datetime.datetime) -> str:
    return moment.isoformat(timespec="seconds").replace("+00:00", "Z")


def _moment(text: str) -> datetime.datetime:
    """A moment that was written; what is none is long past."""
    try:
        moment = datetime.datetime.fromisoformat(text)
    except ValueError:
        return datetime.datetime.min.replace(tzinfo=datetime.UTC)
    return moment if moment.tzinfo else moment.replace(tzinfo=datetime.UTC)


def _account() -> str:
    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError):
        return ""
