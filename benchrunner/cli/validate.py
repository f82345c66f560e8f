"""`benchrunner validate`: the simulated bench against the outside world, table by table."""

import argparse
import sys

from benchrunner.cli.target import replace_option, target
from benchrunner.errors import Problem, Refused


def arguments(parser: argparse.ArgumentParser) -> None:
    """The options of the command."""
    parser.add_argument("--out", metavar="FILE", help="write the page there (Markdown) as well")
    replace_option(parser)
    parser.add_argument(
        "--part", action="append", metavar="NAME", help="only this part; may be given more than once"
    )


def call(options: argparse.Namespace) -> int:
    """0 if every row lies within what is allowed, 1 if not."""
    from benchrunner.sim.validation import PARTS, tables
    from benchrunner.sim.validation.rows import library, markdown, number

    unknown = [part for part in options.part or () if part not in PARTS]
    if unknown:
        raise Refused(Problem(f"--part {unknown[0]}", "is no part", f"one of: {', '.join(PARTS)}"))
    out = target(options.out, options.replace) if options.out else None
    found = []
    for table in tables(
        tuple(options.part or PARTS), lambda part: print(f"{part} ...", file=sys.stderr, flush=True)
    ):
        found.append(table)
        good = sum(row.ok for row in table.rows)
        print(f"{table.title}: {good} of {len(table.rows)} rows within what is allowed")
        for row in table.rows:
            if not row.ok:
                print(f"  BEYOND: {row.given}: {number(row.ours)} {row.unit}, reference {number(row.reference)},"
                      f" allowed {number(row.allowed)}: {row.source}")  # fmt: skip
        for text in table.left_out:
            print(f"  not run here: {text}")
    if out is not None:
        made_with = [
            f"{name} {version}"
            for name in ("numpy", "scipy", "numba", "pvlib", "pybamm", "control")
            if (version := library(name))
        ]
        try:
            out.write_text(markdown(found, made_with), encoding="utf-8")
        except OSError as error:
            raise Refused(
                Problem(options.out, f"cannot be written: {error.strerror}", "choose another --out")
            ) from error
    return 0 if all(table.ok for table in found) else 1
