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
    parser.add_argument(
        "--bench",
        metavar="CARD",
        help="ask at the addresses of a bench card and compare who answers with what the card says",
    )
    parser.add_argument(
        "--port-base", type=int, metavar="N", help="with --bench: the lowest port of a served bench"
    )
    parser.add_argument("--json", action="store_true", help="print one JSON object instead of the list")


def call(options: argparse.Namespace) -> int:
    """0 where something was found, 3 where nothing was. Raises `Refused`.

    With `--bench`: 0 where all is as the card says, 1 where anything differs, 3 where nobody at all answers.
    """
    from benchrunner.bench.find import looking, proposing, writing

    if not 0.05 <= options.patience <= 30.0:
        raise Refused(Problem(f"--patience {options.patience:g}", "is no time to wait", "give 0.05 to 30"))
    if options.bench:
        return _held_against(options)
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


def _held_against(options: argparse.Namespace) -> int:
    from dataclasses import asdict

    from benchrunner.bench.find import comparing, looking
    from benchrunner.cards.bench import read_bench
    from benchrunner.engine.files import find_kind

    if options.write:
        raise Refused(Problem("--write", "does not go with --bench", "leave one of the two out"))
    if options.port_base is not None and not 1 <= options.port_base <= 65000:
        raise Refused(
            Problem(f"--port-base {options.port_base}", "is no TCP port for a bench", "give 1 to 65000")
        )
    bench = read_bench(find_kind(options.bench, "bench card"))
    more = options.range or options.modbus or options.serial
    where = looking.Where(
        tuple(options.range), tuple(options.modbus), options.serial, False, options.patience
    )
    rows = comparing.compare(bench, options.port_base, looking.look(where) if more else ())
    if options.json:
        print(
            json.dumps(
                {
                    "bench": bench.card.title,
                    "simulated": bench.simulated,
                    "instruments": [asdict(row) for row in rows],
                }
            )
        )
    else:
        widths = [max(len(getattr(row, key)) for row in rows) for key in ("name", "role", "state", "address")]
        for row in rows:
            cells = (row.name, row.role, row.state, row.address)
            print(
                "  ".join(cell.ljust(width) for cell, width in zip(cells, widths, strict=True))
                + f"  {row.said}"
            )
        for row in rows:
            if row.state != comparing.FOUND:
                print(
                    Problem(f"{row.name} at {row.address}: {row.state}", row.what, row.mend), file=sys.stderr
                )
        if bench.simulated:
            print("SIMULATED BENCH: not evidence about any real equipment.")
    if all(row.state == comparing.MISSING for row in rows):
        return 3
    return 0 if all(row.state == comparing.FOUND for row in rows) else 1


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
