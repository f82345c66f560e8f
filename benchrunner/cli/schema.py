"""`benchrunner schema`: writes the JSON Schemas of procedures, cards and record headers, for editors and other programs."""

import argparse
from pathlib import Path

from benchrunner.errors import Problem, Refused


def arguments(parser: argparse.ArgumentParser) -> None:
    """The options of the command."""
    parser.add_argument("--out", default=".", metavar="DIR", help="the folder to write to (default: here)")


def call(options: argparse.Namespace) -> int:
    """0; refusals are raised."""
    from benchrunner.engine.files import schemas

    folder = Path(options.out)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, text in schemas().items():
            path = folder / f"{name}.schema.json"
            path.write_text(text, encoding="utf-8")
            print(path)
    except OSError as error:
        problem = Problem(str(folder), f"cannot be written: {error.strerror}", "choose another --out")
        raise Refused(problem) from error
    return 0
