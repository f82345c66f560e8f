"""`benchrunner serve`: the simulated instruments of a bench card on this machine's loopback, until stopped."""

import argparse
import contextlib
import signal
import threading

from benchrunner.errors import Problem, Refused


def arguments(parser: argparse.ArgumentParser) -> None:
    """The options of the command."""
    parser.add_argument(
        "bench",
        nargs="?",
        default="loopback",
        help="bench card: a file or a shipped name (default: loopback)",
    )
    parser.add_argument(
        "--pairing", default="tarn6-corrie5", metavar="CARD", help="pairing card: a file or a shipped name"
    )
    parser.add_argument(
        "--port-base",
        type=int,
        metavar="N",
        help="first TCP port, instead of the card's own; 0: the first free range",
    )
    parser.add_argument(
        "--speed", default="1", metavar="N", help="how many times real time the plant runs (default 1)"
    )
    parser.add_argument(
        "--lockstep", action="store_true", help="the run's own clock moves the plant, through a control port"
    )
    parser.add_argument("--seed", type=int, default=1, help="of the simulated noise")
    parser.add_argument(
        "--start",
        action="append",
        default=[],
        metavar="NAME=VALUE",
        help='the state to begin in: --start battery.soc="94 %%"',
    )


def call(options: argparse.Namespace) -> int:
    """Serve until Ctrl-C or a request to end."""
    from benchrunner.cards.bench import read_bench
    from benchrunner.cards.pairing import read_pairing
    from benchrunner.cli.run import MOST_PORT, MOST_SEED
    from benchrunner.engine.files import find_kind
    from benchrunner.sim.served import Server
    from benchrunner.units import UnitError, parse

    try:
        speed = float(options.speed)
        if not 0 < speed <= 1000:
            raise ValueError
    except ValueError:
        raise Refused(
            Problem(f"--speed {options.speed}", "is no speed", "give a factor from above 0 to 1000")
        ) from None
    if not 0 <= options.seed <= MOST_SEED:
        raise Refused(
            Problem(f"--seed {options.seed}", "is no seed", f"give a whole number from 0 to {MOST_SEED}")
        )
    if options.port_base is not None and not 0 <= options.port_base <= MOST_PORT:
        raise Refused(
            Problem(
                f"--port-base {options.port_base}", "is no TCP port for a bench", f"give 0 to {MOST_PORT}"
            )
        )
    start: dict[str, float] = {}
    for given in options.start:
        name, equals, value = given.partition("=")
        if not equals or not name.strip():
            raise Refused(
                Problem(f"--start {given}", "is not NAME=VALUE", 'write it as --start battery.soc="94 %"')
            )
        try:
            start[name.strip()] = parse(value.strip()).value
        except UnitError as error:
            raise Refused(Problem(f"--start {given}", error.what, error.mend)) from error
    bench = read_bench(find_kind(options.bench, "bench card"))
    pairing = read_pairing(find_kind(options.pairing, "pairing card"))
    base = options.port_base
    if base == 0:
        from benchrunner.sim.served.free import free_base

        base = free_base()
    over = threading.Event()
    with contextlib.suppress(ValueError, OSError, AttributeError):
        signal.signal(signal.SIGTERM, lambda *_: over.set())
    from benchrunner.sim import warm

    warm.ready(lambda line: print(line, flush=True))
    server = Server(
        bench,
        pairing,
        port_base=base,
        speed=speed,
        lockstep=options.lockstep,
        seed=options.seed,
        start=start,
    )
    with server:
        print("SIMULATED BENCH: nothing here is real. Loopback only.")
        for line in server.describe():
            print(line)
        print(f"ready, port base {server.control_port if base is None else base}", flush=True)
        with contextlib.suppress(KeyboardInterrupt):
            while not over.wait(0.5):  # short waits, so that Ctrl-C is heard on Windows too
                pass
    print("stopped")
    return 0
