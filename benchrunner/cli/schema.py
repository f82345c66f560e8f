"""`benchrunner schema`: writes the JSON Schemas of procedures, cards and record headers, for editors and other programs."""

import argparse
from pathlib import Path

from benchrunner.cli.target import replace_option, target
from benchrunner.errors import Problem, Refused


def arguments(parser: argparse.ArgumentParser) -> None:
    """The options of the command."""
    parser.add_argument("--out", default=".", metavar="DIR", help="the folder to write to (default: here)")
    replace_option(parser)


def call(options: argparse.Namespace) -> int:
    """0; refusals are raised."""
    from benchrunner.engine.files import schemas

    folder = Path(options.out)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        paths = {folder / f"{name}.schema.json": text for name, text in schemas().items()}
        for path in paths:  # all of them, before the first is written
            target(path, options.replace)
        for path, text in paths.items():
            path.write_text(text, encoding="utf-8")
            print(path)
    except OSError as error:
        problem = Problem(str(folder), f"cannot be written: {error.strerror}", "choose another --out")
        raise Refused(problem) from error
    return 0
