"""`benchrunner schema`: writes the JSON Schemas of procedures, cards and record headers, for editors and other programs."""

import argparse
import json
from pathlib import Path


def arguments(parser: argparse.ArgumentParser) -> None:
    """The options of the command."""
    parser.add_argument("--out", default=".", metavar="DIR", help="the folder to write to (default: here)")


def call(options: argparse.Namespace) -> int:
    """0; refusals are raised."""
    from benchrunner.engine.files import schemas

    folder = Path(options.out)
    folder.mkdir(parents=True, exist_ok=True)
    for name, schema in schemas().items():
        path = folder / f"{name}.schema.json"
        path.write_text(
            json.dumps(schema, indent=2, sort_keys=True, ensure_ascii=False) + "\n", encoding="utf-8"
        )
        print(path)
    return 0
