"""Where a command writes: a file that is there already is only replaced where that was asked for. One place for all commands."""

import argparse
import os
from pathlib import Path

from benchrunner.errors import Problem, Refused


def replace_option(parser: argparse.ArgumentParser) -> None:
    """`--replace`, in the words of every command that has it."""
    parser.add_argument("--replace", action="store_true", help="write over a file of that name")


def target(out: Path | str, replace: bool, option: str = "--out", of: Path | None = None) -> Path:
    """`out`, free to be written. Raises `Refused` for a folder, for the record `of` which it is about, and for what is there
    already unless `replace`.
    """
    path = Path(out)
    if of is not None and path.exists() and path.samefile(of):
        raise Refused(Problem(str(path), "is the record itself", f"choose another {option}"))
    if path.is_dir():
        raise Refused(Problem(str(path), "is a folder", f"give a file's name with {option}"))
    if os.path.lexists(path) and not replace:
        mend = f"give another name with {option}, or --replace to write over it"
        raise Refused(Problem(str(path), "is there already", mend))
    return path
