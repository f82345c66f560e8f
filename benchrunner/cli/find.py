"""`benchrunner find`: looks for instruments, asks each who it is, proposes driver card and role, drafts a bench card."""

import argparse
import json
import sys
from pathlib import Path
from typing import Any

from benchrunner.errors import Problem, Refused


def arguments(parser: argparse.ArgumentParser) -> None:
    """The options of the command."""
    parser.add_argument(
        "--range",
        action="append",
        default=[],
        metavar="HOST:PORT-PORT",
        help="ask at these TCP ports; none is asked unless named",
    )
    parser.add_argument(
        "--modbus",
        action="append",
        default=[],
        metavar="HOST:PORT/UNIT",
        help="ask a Modbus TCP server for its SunSpec models",
    )
    parser.add_argument(
        "--serial",
        action="store_true",
        help="also ask at the serial ports of this machine (without it they are only listed)",
    )
    parser.add_argument("--no-visa", action="store_true", help="leave out USB and GPIB")
    parser.add_argument(
        "--patience", type=float, default=1.0, metavar="S", help="seconds for each question (default: 1)"
    )
    parser.add_argument(
        "--write",
        metavar="FILE",
        help="write the draft of a bench card; no run starts on it until it is finished",
    )
    parser.add_argument("--json", action="store_true", help="print one JSON object instead of the list")


def call(options: argparse.Namespace) -> int:
    """0 where something was found, 3 where nothing was. Raises `Refused`."""
    from benchrunner.bench.find import looking, proposing, writing

    if not 0.05 <= options.patience <= 30.0:
        raise Refused(Problem(f"--patience {options.patience:g}", "is no time to wait", "give 0.05 to 30"))
    where = looking.Where(
        tuple(options.range), tuple(options.modbus), options.serial, not options.no_visa, options.patience
    )
    ports = looking.serial_ports()
    answers = looking.look(where)
    proposals = [proposing.propose(answer) for answer in answers if answer.found]
    problems = [answer.problem for answer in answers if answer.problem] + looking.conflicts(answers)
    if options.json:
        print(json.dumps(as_data(ports, proposals, problems)))
    else:
        _show(ports, proposals, problems, options.serial, bool(options.range or options.modbus))
    if options.write:
        if not proposals:
            raise Refused(
                Problem(
                    options.write,
                    "nothing was found to write",
                    "name where to look: --range, --modbus, --serial",
                )
            )
        writing.write_card(Path(options.write), writing.card_text(proposals))
        print(f"draft written: {options.write}; then: benchrunner check {options.write}", file=sys.stderr)
    return 0 if proposals else 3


def as_data(ports: Any, proposals: Any, problems: Any) -> dict[str, Any]:
    """What was found, for other programs."""
    return {
        "serial_ports": [{"device": port.device, "says": port.says} for port in ports],
        "instruments": [
            {"address": p.answer.address, "identity": p.answer.identity, "query": p.answer.query, "models": list(p.answer.models),
             "drivers": list(p.drivers), "roles": list(p.roles)}
            for p in proposals
        ],
        "problems": [{"where": p.where, "what": p.what, "mend": p.mend} for p in problems],
    }  # fmt: skip


def _show(ports: Any, proposals: Any, problems: Any, asked: bool, named: bool) -> None:
    for port in ports if not asked else ():
        print(f"serial port {port.device} ({port.says}): not asked; --serial asks")
    for proposal in proposals:
        print(f"{proposal.answer.address}\n    says     {proposal.answer.identity}")
        print(f"    driver   {_choice(proposal.drivers, 'no card suits')}")
        print(f"    role     {_choice(proposal.roles, 'none known')}")
    for problem in problems:
        print(f"not clear: {problem}", file=sys.stderr)
    if not proposals:
        print(
            "no instrument said who it is"
            + ("; is it switched on, is the port right, and does no other program hold it?" if named else
               "; TCP ports and Modbus servers are asked only where named (--range, --modbus)")
        )  # fmt: skip


def _choice(among: Any, none: str) -> str:
    if len(among) == 1:
        return str(among[0])
    return f"one of {', '.join(among)}: a person has to choose" if among else none
