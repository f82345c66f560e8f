"""`benchrunner`: without a command it opens the window; with one it runs it.

Only the parser is built here; a command's own module, and the libraries it needs, load when it is called.
"""

import argparse
import contextlib
import sys
from collections.abc import Callable, Sequence
from importlib import import_module
from typing import NoReturn

from benchrunner import __version__
from benchrunner.errors import LinkError, Refused

EXIT_CODES = """\
exit codes: 0 pass or valid · 1 fail, or a record that does not verify · 2 refused before anything was switched on ·
3 inconclusive · 4 the run did not finish, the bench was made safe · 5 the safe state could not be confirmed

This program runs and records tests. It is no emergency stop and stands in for no protective device. The installation
rules in force and the makers' instructions take precedence; work only by qualified persons."""

# name -> (module, one line)
COMMANDS = {
    "run": ("benchrunner.cli.run", "run a procedure on a bench with a pairing"),
    "check": ("benchrunner.cli.check", "read procedures and cards; say every error with file, line and mend"),
    "verify": ("benchrunner.cli.verify", "check that a record is whole and who signed it"),
    "countersign": ("benchrunner.cli.countersign", "put a second person's signature on a record"),
    "timestamp": (
        "benchrunner.cli.timestamp",
        "have a time-stamp server say when a record's signatures existed",
    ),
    "report": ("benchrunner.cli.report", "write the report of a record"),
    "sheet": ("benchrunner.cli.sheet", "all that the records of a pairing show, on one page"),
    "serve": ("benchrunner.cli.serve", "put the simulated instruments on the wire"),
    "archive": ("benchrunner.cli.archive", "keep records in a folder and search them"),
    "compare": (
        "benchrunner.cli.compare",
        "a record against its baseline: what moved, beyond the uncertainty",
    ),
    "export": ("benchrunner.cli.export", "write the readings of a record for other tools"),
    "release": ("benchrunner.cli.release", "release a bench that a trip has locked"),
    "import": ("benchrunner.cli.import_", "another logger's data as a record, marked as not measured by us"),
    "find": ("benchrunner.cli.find", "look for instruments, ask who each is, draft a bench card"),
    "prove": ("benchrunner.cli.prove", "keep the checks done before power, and see what holds today"),
    "recover": ("benchrunner.cli.recover", "seal what a crashed run left"),
    "keys": ("benchrunner.cli.keys", "make, list, export and trust signing keys"),
    "validate": (
        "benchrunner.cli.validate",
        "hold the simulated bench against the outside world, table by table",
    ),
    "schema": ("benchrunner.cli.schema", "write the JSON Schemas of procedures and cards"),
}


class _Parser(argparse.ArgumentParser):
    """A wrong command line is refused in the same three parts as anything else that is wrong."""

    def error(self, message: str) -> NoReturn:
        print(f"refused: {self.prog}: {message}\n    mend: see `{self.prog} --help`", file=sys.stderr)
        raise SystemExit(2)


def build_parser(chosen: str = "") -> argparse.ArgumentParser:
    """The parser; only the chosen command gets its own options (the others would load their modules)."""
    parser = _Parser(
        prog="benchrunner",
        description="Qualifies AC-coupled pairings of a battery inverter and a PV inverter on a test bench, real or simulated.",
        epilog=EXIT_CODES,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action="version", version=f"benchrunner {__version__}")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND")
    for name, (module, says) in COMMANDS.items():
        command = commands.add_parser(name, help=says, description=says[:1].upper() + says[1:] + ".")
        if name == chosen:
            import_module(module).arguments(command)
    return parser


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; its exit code (design: 0 to 5)."""
    given = list(sys.argv[1:] if argv is None else argv)
    chosen = next((word for word in given if not word.startswith("-")), "")
    for stream in (sys.stdout, sys.stderr):
        with contextlib.suppress(
            AttributeError, ValueError
        ):  # a terminal may lack a sign; that must not end a run
            stream.reconfigure(errors="replace")  # type: ignore[union-attr]
    options = build_parser(chosen).parse_args(given)
    if options.command is None:
        return _window()
    call: Callable[[argparse.Namespace], int] = import_module(COMMANDS[options.command][0]).call
    try:
        return call(options)
    except Refused as refusal:
        for problem in refusal.problems:
            print(f"refused: {problem}", file=sys.stderr)
        return 2
    except LinkError as error:
        print(f"refused: {error.problem}", file=sys.stderr)
        return 2
    except KeyboardInterrupt:
        print("stopped", file=sys.stderr)
        return 4
    except BrokenPipeError:
        return 0  # whoever read our output has seen enough


def _window() -> int:
    try:
        from benchrunner.app.main import main as window
    except ImportError as error:
        print(
            f"refused: the window: cannot be opened: {error}\n    mend: install the system packages that `sh resources/try.sh` names",
            file=sys.stderr,
        )
        return 2
    return window()


if __name__ == "__main__":
    sys.exit(main())
