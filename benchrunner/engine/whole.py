"""One whole run: opens the bench, identifies its instruments, runs, closes, seals and signs."""

import shutil
from dataclasses import asdict
from typing import Any

from benchrunner.bench.hosts import build_host
from benchrunner.bench.kept_settings import differences, read_settings
from benchrunner.bench.live import LiveHost
from benchrunner.bench.prechecks import enter_wiring
from benchrunner.cards.preflight import preflight
from benchrunner.core.evidence import STATEFUL
from benchrunner.core.judging import awaited
from benchrunner.core.messages import Event
from benchrunner.core.runner import Runner
from benchrunner.core.safe import END_STATEMENT
from benchrunner.engine import loop, serials
from benchrunner.engine.prepare import Prepared, default_out, is_wiring_proof, phases_proved
from benchrunner.engine.rescue import Failed
from benchrunner.engine.sources import set_curves
from benchrunner.engine.stream import EventStream, LiveReadings
from benchrunner.engine.warming import seen, warm_up
from benchrunner.engine.watchdog.guarding import Guarding
from benchrunner.errors import Problem, Refused
from benchrunner.procedure.running import PlannedStep
from benchrunner.record.facts import RunFacts, Verbatim, utc_now
from benchrunner.record.journal import Journal, JournalError
from benchrunner.record.keys import Store
from benchrunner.record.seal import seal
from benchrunner.record.sealing import time_stamp_server


def whole_run(prepared: Prepared, stream: EventStream, wishes: Any) -> dict[str, Any]:
    """Run what was prepared; the data of the `ended` event. Raises `Refused` or `LinkError` before anything is switched on."""
    request = prepared.request
    key = Store().open(request.key, request.passphrase) if request.key else None
    server = time_stamp_server(request.timestamp, request.laboratory)
    if key is None and request.timestamp:
        mend = "sign the record (--key NAME), or leave --timestamp away"
        raise Refused(Problem("--timestamp", "stamps a signature, and this run signs nothing", mend))
    if prepared.bench.in_memory:
        from benchrunner.sim import warm  # heavy, and of no use to a bench on the wire

        warm.ready(
            lambda line: stream.send(0.0, "note", {"text": line, "level": "info", "about": "compiling"})
        )
    with Guarding(prepared, stream) as guarding:
        return _guarded_run(prepared, stream, wishes, key, guarding, server)


def _guarded_run(
    prepared: Prepared, stream: EventStream, wishes: Any, key: Any, guarding: Guarding, server: str
) -> dict[str, Any]:
    request = prepared.request
    host = build_host(
        prepared.bench,
        prepared.pairing,
        speed=request.speed,
        seed=request.seed,
        start=prepared.start,
        port_base=request.port_base,
    )
    runner = Runner(prepared.plan)
    try:
        guarding.start(live=isinstance(host, LiveHost))
        serials.let_pass(prepared, host)
        host.open()
        identities = host.identify()
        _refuse_stand_ins(prepared, identities)
        prepared = serials.kept(prepared, host)
        prepared = warm_up(prepared, host, stream, wishes)
        curves = set_curves(host.instruments, prepared.pairing)
        guarding.ready(host)
        stamp = utc_now().replace(":", "").replace("-", "")[:15]
        folder = default_out(request, prepared.plan.order, prepared.pairing_document.path, stamp)
        try:
            journal = Journal.create(folder, _facts(prepared, identities))
        except JournalError as error:
            raise Refused(error.problem) from error
        try:
            if prepared.proofs:
                journal.fact("before_power", [asdict(proof) for proof in prepared.proofs])
            if curves:
                journal.fact("pv_curves", curves)
            held = None if prepared.bench.simulated else read_settings(host.instruments)
            opening = prepared_event(prepared, str(folder))
            stream.emit(opening)
            for said in prepared.deviations:
                stream.send(0.0, "note", {"text": said, "level": "info"})
            live = (
                LiveReadings(stream, [source.channels for source in prepared.plan.sources])
                if request.live
                else None
            )
            with guarding.over(host, folder) as guarded:
                failed = loop.run(runner, guarded, journal, stream, wishes, live, _answers(prepared))
            seen(prepared, identities)
            _account(host, journal, stream)
            if held is not None:
                _compare_settings(held, host, journal, stream)
        finally:
            closing = _close(journal)
    finally:
        _let_go(host, stream)
    ended = _ended(runner, host.now, failed)
    if not journal.complete and ended["finished"]:  # a pass that the record cannot show is none
        ended = {**ended, "exit": max(ended["exit"], 4), "ended_by": "fault", "finished": False,
                 "reason": "the journal could not be written to its end"}  # fmt: skip
    ended = guarding.after(ended, str(folder))
    if closing is not None:
        stream.send(host.now, "note", {"text": str(closing), "level": "error"})
    stream.send(host.now, "note", {"text": "sealing the record", "level": "info"})
    record = folder.with_name(folder.name + ".bench")
    try:
        missing: list[Problem] = []
        # of a journal that broke off too: what it holds, and that there is a gap
        record = seal(journal.path, record, key, server=server, unstamped=missing.append)
        if closing is None and journal.complete:
            shutil.rmtree(folder, ignore_errors=True)  # the record holds every input that the journal held
    except (
        Exception
    ) as error:  # whatever it is: the journal stays, and what became of the bench must still be told
        problem = getattr(error, "problem", None) or Problem(
            str(record), f"cannot be sealed: {error}", "free the disk"
        )
        stream.send(
            host.now,
            "note",
            {"text": f"{problem}. Then: benchrunner recover {journal.path}", "level": "error"},
        )
        return {**ended, "journal": str(journal.path), "exit": max(ended["exit"], 4)}
    guarding.sealed(ended, str(record))
    _keep_wiring_proof(prepared, runner, stream, record.name)
    ended = {**ended, "record": str(record), "signed": key is not None}
    return _stamp_said(ended, server, missing, stream, host.now) if server else ended


def _stamp_said(
    ended: dict[str, Any], server: str, missing: list[Problem], stream: EventStream, at: float
) -> dict[str, Any]:
    """The end of a run whose record was to be stamped: whether it is, and if not, how it still can be."""
    if not ended["signed"]:
        text = "not signed, so there is nothing to stamp: countersign the record and have that stamped"
        stream.send(at, "note", {"text": text, "level": "warning"})
        return {**ended, "stamped": False, "unstamped": text}
    if not missing:
        return {**ended, "stamped": True}
    text = (
        f"THE TIME STAMP IS MISSING: {missing[0].where} {missing[0].what}. The record is sealed and signed without it; "
        f"add it afterwards: benchrunner timestamp {ended['record']} --server {server}"
    )
    stream.send(at, "note", {"text": text, "level": "error"})
    return {**ended, "stamped": False, "unstamped": text}


def _compare_settings(before: Any, host: Any, journal: Journal, stream: EventStream) -> None:
    """What the inverters hold before and after goes into the record; what differs is a deviation, and said aloud."""
    after = read_settings(host.instruments)
    changed = differences(before[0], after[0])
    journal.fact("inverter_settings", {"before": before[0], "after": after[0]})
    said = [*before[1], *after[1], *changed]
    if said:
        journal.fact("deviations", said)
    for text in said:
        stream.send(host.now, "note", {"text": text, "level": "warning"})


def _keep_wiring_proof(prepared: Prepared, runner: Runner, stream: EventStream, record: str) -> None:
    """A wiring proof counts for this bench card for the rest of the day; one that failed counts too."""
    request, order = prepared.request, prepared.plan.order
    if not is_wiring_proof(order) or not runner.checks:
        return
    passed = runner.finished and runner.exit_code == 0
    judged = [c for c in runner.checks if c["measure"] in STATEFUL and c["verdict"] != "not judged"]
    # each judgement looks at all states so far: the last one knows best, and a fault may have ended the proof with it
    said = str(judged[-1]["reason"]) if judged else "nothing was judged"
    try:
        phases = phases_proved(order, prepared.pairing)
        enter_wiring(prepared.bench, passed, request.operator, record, said, request.port_base, phases)
    except Refused as refusal:
        for problem in refusal.problems:
            text = f"the wiring proof is in its record, and could not be entered for later runs: {problem}"
            stream.send(0.0, "note", {"text": text, "level": "error"})


def _refuse_stand_ins(prepared: Prepared, identities: list[dict[str, Any]]) -> None:
    """A record that says "real bench" must not hold what simulated instruments read."""
    if prepared.bench.simulated:
        return
    problems = [
        Problem(
            f"{prepared.bench.document.path}: instruments.{row['name']}",
            f"the bench is said to be real, but this instrument says that it is {row['identity']!r}",
            "write simulated = true on the bench card, or give the real instrument's address",
        )
        for row in identities
        if "simulated" in str(row.get("identity", "")).casefold()
    ]
    if problems:
        raise Refused(problems)


def _ended(runner: Runner, at: float, failed: Failed | None = None) -> dict[str, Any]:
    safe = "confirmed" if runner.safe_confirmed else "not confirmed" if runner.safe_needed else "not needed"
    if failed is not None:
        safe = failed.safe
    return {
        "at": at,
        "exit": failed.exit if failed else runner.exit_code,
        "verdict": runner.verdict,
        "ended_by": "fault" if failed else runner.ended_by,
        "reason": failed.reason if failed else runner.reason,
        "finished": runner.finished and not failed,
        "safe": safe,
        "safe_text": {
            "confirmed": END_STATEMENT,
            "not confirmed": "The safe state could NOT be confirmed.",
        }.get(safe, ""),
        "simulated": runner.plan.simulated,
        "signed": False,
        "record": "",
        "journal": "",
        "problems": [asdict(problem) for problem in runner.refusals],
    }


def _close(journal: Journal) -> Exception | None:
    try:
        journal.close()
    except Exception as error:
        return error
    return None


def _let_go(host: Any, stream: EventStream) -> None:
    """Close the links. One that does not close changes nothing about the run."""
    try:
        host.close()
    except Exception as error:
        stream.send(
            host.now, "note", {"text": f"a link did not close in good order: {error}", "level": "warning"}
        )


def _answers(prepared: Prepared) -> Any:
    answers = prepared.request.answers
    return lambda step: answers.get(step, answers.get(step.rsplit("/", 1)[-1]))


def _account(host: Any, journal: Journal, stream: EventStream) -> None:
    """What a live host counted while it polled goes into the record: missed periods, and skew between instruments."""
    account = getattr(host, "account", None)
    if account is None:
        return
    try:
        counted = account()
        for name, rows in counted.items():
            journal.fact(name, rows)
    except (JournalError, ArithmeticError, ValueError) as error:  # the run itself is over and well
        stream.send(
            host.now, "note", {"text": f"the account of the polling is missing: {error}", "level": "warning"}
        )
        return
    for row in counted["polling"]:
        if row["missed"]:
            text = f"{row['instrument']}: {row['missed']} of {row['missed'] + row['polls']} polls were missed"
            stream.send(host.now, "note", {"text": text, "level": "warning"})
    for row in counted["skew"]:
        text = (f"{row['instrument']} shows steps of the load {row['skew'] * 1e3:+.0f} ms after {row['against']} "
                f"(standard uncertainty {row['standard_uncertainty'] * 1e3:.0f} ms, {row['steps']} step{'s' if row['steps'] != 1 else ''})")  # fmt: skip
        stream.send(host.now, "note", {"text": text, "level": "info", "about": "skew"})


def _facts(prepared: Prepared, identities: list[Any]) -> RunFacts:
    request, bench = prepared.request, prepared.bench
    return RunFacts(
        plan=prepared.plan,
        procedure=Verbatim(
            prepared.procedure_document.path.name, prepared.procedure_document.raw, prepared.plan.order.title
        ),
        pairing=Verbatim(
            prepared.pairing_document.path.name, prepared.pairing_document.raw, prepared.pairing.title
        ),
        bench=Verbatim(bench.document.path.name, bench.document.raw, bench.card.title),
        drivers=tuple(
            Verbatim(f"{name}.toml", document.raw)
            for name, document in sorted(bench.driver_documents.items())
        ),
        profiles=prepared.profiles,
        overrides=request.settings,
        instruments=tuple(identities),
        operator=request.operator,
        acknowledged=request.acknowledge,
        overridden=prepared.overridden,
        deviations=prepared.deviations,
        laboratory=bench.card.laboratory,
    )


def prepared_event(prepared: Prepared, folder: str) -> Event:
    """The `prepared` event: all that a screen needs to know before the run; `folder`: where the journal will lie."""
    order = prepared.plan.order
    return Event(
        0.0,
        "prepared",
        {
            "procedure": order.title,
            "purpose": order.purpose,
            "pairing": prepared.pairing.title,
            "bench": prepared.bench.card.title,
            "simulated": prepared.plan.simulated,
            "cautions": list(order.cautions),
            "preflight": preflight(prepared.pairing),
            "steps": [_step(index, step) for index, step in enumerate(order.steps)],
            "channels": [{"name": c.name, "unit": c.unit} for c in prepared.plan.channels.values()],
            "guards": [
                {
                    "id": g.id,
                    "channel": g.channel,
                    "low": g.low,
                    "high": g.high,
                    "unit": g.unit,
                    "says": g.says,
                    "acts_within": g.acts_within,
                }
                for g in prepared.plan.guards
            ],
            "record": folder,
        },
    )


def _step(index: int, step: PlannedStep) -> dict[str, Any]:
    return {
        "index": index, "id": step.id, "title": step.title, "says": step.says, "cautions": list(step.cautions), "group": step.group, "repeat": step.repeat,
        "expected": step.expected, "at_most": step.at_most,
        "reached": step.if_not == "fail" and (step.until is not None or step.ask is not None),  # judged besides `checks`
        "awaits": awaited(step),  # title of the check `reached`
        "checks": [
            {"id": c.id, "title": c.title, "measure": c.measure, "of": c.of, "low": c.low, "high": c.high, "unit": c.unit, "rule": c.rule} for c in step.checks
        ],
    }  # fmt: skip
