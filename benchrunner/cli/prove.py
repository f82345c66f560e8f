"""`benchrunner prove`: keeps a check before power that a person has done, or lists what holds for a bench today."""

import argparse
import sys


def arguments(parser: argparse.ArgumentParser) -> None:
    """The options of the command."""
    from benchrunner.bench.prechecks import CHECKS

    parser.add_argument("bench", help="the bench card: a file or a shipped name")
    parser.add_argument(
        "--check", default="", metavar="NAME", help=f"which check was done: {', '.join(CHECKS)}"
    )
    parser.add_argument("--by", default="", metavar="NAME", help="who did it")
    parser.add_argument("--result", default="pass", metavar="pass|fail", help="what came out (default: pass)")
    parser.add_argument(
        "--value", default="", metavar="TEXT", help="what was measured: '> 200 Mohm at 500 V'"
    )
    parser.add_argument("--instrument", default="", metavar="TEXT", help="the tester: name and serial number")
    parser.add_argument("--note", default="", metavar="TEXT", help="anything else worth keeping")
    parser.add_argument("--hours", type=float, default=24.0, help="for how long it holds (default: 24)")
    parser.add_argument("--history", action="store_true", help="list every entry of this bench, oldest first")
    parser.add_argument(
        "--port-base", type=int, metavar="N", help="first TCP port of a served bench, if not the card's own"
    )


def call(options: argparse.Namespace) -> int:
    """0 once kept, or listed. Raises `Refused`."""
    from benchrunner.bench import prechecks
    from benchrunner.cards.bench import read_bench
    from benchrunner.engine.files import find_kind

    bench = read_bench(find_kind(options.bench, "bench card"))
    if options.check:
        proof = prechecks.enter(
            bench, options.check, options.by, result=options.result, value=options.value, instrument=options.instrument,
            note=options.note, hours=options.hours, port_base=options.port_base,
        )  # fmt: skip
        print(f"kept: {proof.check}: {proof.says}")
        print("it holds for this bench card only: a card that is changed is proved anew")
        return 0
    entries = prechecks.history(bench, options.port_base)
    if options.history:
        for proof in entries:
            print(f"{proof.check}: {proof.says} (card {proof.card[:12]})")
        if not entries:
            print("nothing was ever kept for this bench")
        return 0
    if bench.simulated:
        print("a simulated bench is not asked for checks before power", file=sys.stderr)
    print(f"{bench.card.title}, card {prechecks.card_digest(bench)[:12]}")
    for gate, found in prechecks.standing(entries, prechecks.card_digest(bench)).items():
        holds = isinstance(found, prechecks.Proof)
        print(
            f"  {'holds  ' if holds else 'lacking'}  {gate}: {found.says if isinstance(found, prechecks.Proof) else found}"
        )
        if not holds and gate in prechecks.CHECKS:
            print(f"           {prechecks.CHECKS[gate].says}")
        elif not holds:
            print(
                "           a run of wiring-proof (or wiring-proof-legs) on this card that passes, on the day; run it last"
            )
    return 0
