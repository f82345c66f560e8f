"""`benchrunner run`: one run on the command line, with progress, the table of checks and the exit code of its outcome."""

import argparse
import contextlib
import getpass
import json
import os
import queue
import sys
import threading
from pathlib import Path
from typing import Any

from benchrunner.cli import words
from benchrunner.errors import Problem, Refused

MOST_SEED = 2**53 - 1  # what JSON carries exactly everywhere (RFC 8785 through IEEE 754)
TYPED = "typed"  # the kind of an event that is a line from the keyboard
MOST_PORT = 65_435  # a bench uses up to 100 ports above its base


def arguments(parser: argparse.ArgumentParser) -> None:
    """The options of the command."""
    parser.add_argument("procedure", help="a procedure file, or the name of a shipped one (load-rejection)")
    parser.add_argument(
        "--pairing", default="tarn6-corrie5", metavar="CARD", help="pairing card: a file or a shipped name"
    )
    parser.add_argument(
        "--bench", default="simulated", metavar="CARD", help="bench card: a file or a shipped name"
    )
    parser.add_argument(
        "--set",
        action="append",
        default=[],
        metavar="NAME=VALUE",
        help='a parameter, with its unit: --set load_before="2.5 kW"',
    )
    parser.add_argument(
        "--speed",
        default=None,
        metavar="max|N",
        help="simulated bench only: max (as fast as it goes; the default there), or N times real time, up to 10000: 1, 10, 0.5",
    )
    parser.add_argument(
        "--seed", type=int, default=1, help="for random points on the wave and simulated noise (default 1)"
    )
    parser.add_argument(
        "--out", default="runs", metavar="DIR", help="where record and report go (default: runs)"
    )
    parser.add_argument("--json", action="store_true", help="print one JSON object on the last line")
    parser.add_argument("--key", default="", help="sign the record with this key (see `benchrunner keys`)")
    parser.add_argument(
        "--passphrase-file",
        metavar="F",
        help="file that holds the key's passphrase on its first line; asked for otherwise",
    )
    parser.add_argument(
        "--timestamp",
        default="",
        metavar="URL",
        help="ask this time-stamp server (RFC 3161) when the record is sealed; it sees a digest only",
    )
    parser.add_argument(
        "--laboratory",
        default="",
        metavar="FILE",
        help="laboratory card that may name the server (default: $BENCHRUNNER_LABORATORY)",
    )
    parser.add_argument(
        "--operator", default="", metavar="NAME", help="who runs this; a real bench asks for it"
    )
    parser.add_argument(
        "--acknowledge",
        default="",
        metavar="NAME",
        help="who has read the cautions and recorded the pre-power checks; a real bench asks for it",
    )
    parser.add_argument(
        "--override",
        action="append",
        default=[],
        metavar="GATE",
        help="real bench only: pass a gate (a check before power, wiring-proof, warm-up, calibration, serial-number) by name; the record keeps it",
    )
    parser.add_argument("--by", default="", metavar="NAME", help="with --override: who answers for it")
    parser.add_argument("--why", default="", metavar="TEXT", help="with --override: for what reason")
    parser.add_argument(
        "--answers",
        metavar="FILE",
        help='TOML file with the answers to the operator\'s questions: step-id = "answer"',
    )
    parser.add_argument(
        "--port-base", type=int, metavar="N", help="first TCP port of a served bench, if not the card's own"
    )
    parser.add_argument("--quiet", action="store_true", help="no progress, only the outcome")


def call(options: argparse.Namespace) -> int:
    """Run it; the exit code of the outcome."""
    from benchrunner.engine.client import Session

    request = _request(options)
    progress = words.Progress(sys.stdout if not options.quiet else None)
    session = Session.start(request)
    try:
        _follow(session, progress, request.attended)
        while True:
            try:
                session.wait()
                break
            except KeyboardInterrupt:
                continue  # the record is being sealed; it takes a moment
    finally:
        session.close()
    ended = dict(session.ended or {})
    code = int(ended.get("exit", 5))
    if ended.get("record"):
        ended["report"] = _report(Path(ended["record"]))
    problems = ended.get("problems", [])
    if problems:
        for problem in problems:
            print(f"refused: {Problem(**problem)}", file=sys.stderr)
    else:
        words.outcome(ended, progress.checks, sys.stdout)
    if options.json:
        print(json.dumps(_summary(ended, progress.checks)))
    return code


def _follow(session: Any, progress: words.Progress, attended: bool) -> None:
    """Show the events until the engine is through. Ctrl-C asks the engine to make safe; it goes on until that is done."""
    # Events are taken from a thread so that Ctrl-C reaches this one on Windows too, where a blocked read swallows it.
    waiting: queue.SimpleQueue[dict[str, Any] | None] = queue.SimpleQueue()

    def gather() -> None:
        for event in session.events():
            waiting.put(event)
        waiting.put(None)

    threading.Thread(target=gather, name="events", daemon=True).start()
    keyboard = _Keyboard(waiting)
    asked, question = 0, ""
    while True:
        try:
            try:
                event = waiting.get(timeout=0.5)
            except queue.Empty:
                continue
            if event is None:
                return
            if event["kind"] == TYPED:
                if event["data"]["line"] is None:
                    session.send({"wish": "stop", "why": "nobody can answer: the input has ended"})
                elif question:
                    session.send({"answer": event["data"]["line"], "to": question})
                    question = ""
                continue
            progress.show(event)
            if event["kind"] == "ask" and attended:
                question = str(event["data"].get("id", ""))
                _prompt(event["data"])
                keyboard.listen()
        except KeyboardInterrupt:
            asked += 1
            session.send({"wish": "stop", "why": "Ctrl-C"})
            if asked == 1:
                print(
                    "\nstopping: making the bench safe (this is no emergency stop: use the hardware one in danger)",
                    file=sys.stderr,
                )
            else:
                print("still making safe; the alarm stays until it is confirmed", file=sys.stderr)


def _report(record: Path) -> str:
    """The report beside the record; a report that cannot be written does not change the outcome of the run."""
    from benchrunner.report.html import write_report

    try:
        return str(write_report(record, record.with_suffix(".html")))
    except (OSError, Refused) as error:
        print(f"the report could not be written: {error}", file=sys.stderr)
        return ""


class _Keyboard:
    """What is typed, line by line, as events beside the engine's: a guard that trips is shown while a question is open.

    Reads the descriptor itself, since a thread that waits in `sys.stdin` would stand in the way at exit.
    """

    def __init__(self, waiting: "queue.SimpleQueue[dict[str, Any] | None]") -> None:
        self._waiting = waiting
        self._thread: threading.Thread | None = None

    def listen(self) -> None:
        """Begin, once the first question is asked."""
        if self._thread is None:
            self._thread = threading.Thread(target=self._read, name="keyboard", daemon=True)
            self._thread.start()

    def _read(self) -> None:
        got = b""
        with contextlib.suppress(OSError, ValueError):
            while part := os.read(sys.stdin.fileno(), 4096):
                *lines, got = (got + part).split(b"\n")
                for line in lines:
                    self._put(line.decode(sys.stdin.encoding or "utf-8", "replace").strip())
        self._put(None)

    def _put(self, line: str | None) -> None:
        self._waiting.put({"at": 0.0, "kind": TYPED, "data": {"line": line}})


def _prompt(question: dict[str, Any]) -> None:
    choices = question.get("choices") or []
    hint = f" [{'/'.join(choices)}]" if choices else f" ({question['unit']})" if question.get("unit") else ""
    print(f"  ? {question.get('text', '')}{hint} ", end="", flush=True)


def _request(options: argparse.Namespace) -> Any:
    from benchrunner.engine.request import SPEED_SAYS, RunRequest, read_speed

    problems: list[Problem] = []
    settings: dict[str, str] = {}
    for given in options.set:
        name, equals, value = given.partition("=")
        if not equals or not name.strip() or not value.strip():
            problems.append(
                Problem(f"--set {given}", "is not NAME=VALUE", 'write it as --set load_before="2.5 kW"')
            )
        settings[name.strip()] = value.strip()
    speed: Any = "max"
    try:
        speed = read_speed(options.speed or "max")
    except ValueError:
        problems.append(Problem(f"--speed {options.speed}", "is no speed", f"give {SPEED_SAYS}"))
    if not 0 <= options.seed <= MOST_SEED:
        problems.append(
            Problem(f"--seed {options.seed}", "is no seed", f"give a whole number from 0 to {MOST_SEED}")
        )
    if not options.out.strip():
        problems.append(
            Problem("--out ''", "names no folder", "give a folder, or leave --out away for ./runs")
        )
    if options.port_base is not None and not 1 <= options.port_base <= MOST_PORT:
        problems.append(
            Problem(
                f"--port-base {options.port_base}", "is no TCP port for a bench", f"give 1 to {MOST_PORT}"
            )
        )
    answers: dict[str, str] = {}
    if options.answers:
        from benchrunner.cards.reading import load

        for name, value in load(Path(options.answers)).data.items():
            if isinstance(value, dict):
                problems.append(
                    Problem(
                        f"{options.answers}: {name}",
                        "is a table",
                        'write one answer a line: "step-id" = "answer"',
                    )
                )
            answers[name] = str(value)
    if problems:
        raise Refused(problems)
    return RunRequest(
        procedure=options.procedure,
        pairing=options.pairing,
        bench=options.bench,
        settings=settings,
        speed=speed,
        seed=options.seed,
        out=options.out,
        key=options.key,
        passphrase=key_passphrase(options.key, options.passphrase_file) if options.key else "",
        operator=options.operator,
        acknowledge=options.acknowledge,
        answers=answers,
        attended=sys.stdin is not None and sys.stdin.isatty(),
        port_base=options.port_base,
        override=options.override,
        override_by=options.by,
        override_why=options.why,
        timestamp=options.timestamp,
        laboratory=options.laboratory,
    )


def key_passphrase(key: str, file: str | None) -> str:
    """As `passphrase`; nobody is asked for that of a signing key which there is not."""
    if not file:
        from benchrunner.record.keys import Store

        Store().export(key)
    return passphrase(key, file)


def passphrase(key: str, file: str | None) -> str:
    """The passphrase of a key: the first line of `file`, or asked for. Raises `Refused` if there is none to be had."""
    if file:
        try:
            lines = Path(file).read_text(encoding="utf-8").splitlines()
        except (OSError, UnicodeDecodeError) as error:
            raise Refused(
                Problem(
                    file,
                    f"the passphrase cannot be read: {getattr(error, 'strerror', None) or 'it is not UTF-8 text'}",
                    "give a text file whose first line is the passphrase",
                )
            ) from error
        if not lines or not lines[0]:
            raise Refused(
                Problem(f"{file}:1", "the passphrase is empty", "put the passphrase on the first line")
            )
        return lines[0]
    if sys.stdin is None or not sys.stdin.isatty():
        raise Refused(
            Problem(
                f"--key {key}", "needs a passphrase and there is nobody to ask", "give --passphrase-file F"
            )
        )
    return getpass.getpass(f"passphrase of key {key}: ")


def _summary(ended: dict[str, Any], checks: list[dict[str, Any]]) -> dict[str, Any]:
    keys = ("id", "measure", "of", "value", "unit", "low", "high", "uncertainty", "margin", "verdict")
    return {
        "record": ended.get("record", ""),
        "report": ended.get("report", ""),
        "verdict": ended.get("verdict", "not judged"),
        "finished": bool(ended.get("finished")),
        "ended_by": ended.get("ended_by", ""),
        "simulated": bool(ended.get("simulated")),
        "signed": bool(ended.get("signed")),
        **({"stamped": ended["stamped"]} if "stamped" in ended else {}),
        "exit": ended.get("exit", 5),
        "safe": ended.get("safe", ""),
        "problems": ended.get("problems", []),
        "checks": [{key: check.get(key) for key in keys} for check in checks],
    }
