"""`benchrunner release`: a named person releases a bench that a trip has locked; without a bench, lists those locked."""

import argparse
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from benchrunner.bench.locks import Trip


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
            _tell(trip)
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


def _tell(trip: "Trip") -> None:
    """One locked bench: since when, by what, and the command that releases it, whole on a line of its own."""
    from benchrunner.bench.locks import not_released_by_its_card, release_command
    from benchrunner.cli.wrapping import wrapped

    rows = [
        ("since", trip.when.removeprefix("at ")),
        ("after", trip.what),
        ("record", trip.record),
        ("card", trip.card),
    ]
    print(wrapped(_printed(f"locked: {trip.bench}")))
    for name, text in rows:
        if text:
            print(wrapped(_printed(f"    {name:<6}  {text}"), "        "))
    why = not_released_by_its_card(trip)
    mend = "look at the bench; then a named person releases it"
    if why:
        mend += f", with a card of the title and the addresses that it had when it was locked ({why}"
        mend += "; its record holds that card, bench.toml)" if trip.record else ")"
    print(wrapped(_printed(f"    {mend}:"), ""))
    command = release_command("BENCH" if why else trip.card, trip.port_base)
    print(_printed(f"        {command}"))


def _printed(text: str) -> str:
    """What cannot be printed would else reach the terminal."""
    return "".join(c if c.isprintable() else "?" for c in text)
