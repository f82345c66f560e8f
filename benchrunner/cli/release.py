"""`benchrunner release`: a named person releases a bench that a trip has locked; without a bench, lists those locked."""

import argparse


def arguments(parser: argparse.ArgumentParser) -> None:
    """The options of the command."""
    parser.add_argument(
        "bench",
        nargs="?",
        help="the bench card: a file or a shipped name; without it, the locked benches are listed",
    )
    parser.add_argument("--by", default="", metavar="NAME", help="who releases it")
    parser.add_argument(
        "--why", default="", metavar="TEXT", help="what was found, and why it may be used again"
    )
    parser.add_argument(
        "--port-base", type=int, metavar="N", help="first TCP port of a served bench, if not the card's own"
    )


def call(options: argparse.Namespace) -> int:
    """0 once released, or listed. Raises `Refused`."""
    from benchrunner.bench import locks

    if options.bench is None:
        found = locks.all_locked()
        for trip in found:
            print(f"locked: {trip.bench}: {trip.says}")
        if not found:
            print("no bench is locked")
        return 0
    from benchrunner.cards.bench import read_bench
    from benchrunner.engine.files import find_kind

    bench = read_bench(find_kind(options.bench, "bench card"))
    done = locks.release(bench, options.port_base, options.by, options.why)
    print(f"released: {done.trip.bench}, by {done.by}")
    print(f"it was locked after {done.trip.says}")
    print("the next record on this bench tells of it")
    return 0
