"""`python -m benchrunner.sim.failures --out FOLDER`: runs every case and writes the page and its plots."""

import argparse
import sys
from pathlib import Path

from benchrunner.sim.failures.page import pages


def main(arguments: list[str] | None = None) -> int:
    """0 once written; 2 where the folder can't be written."""
    parser = argparse.ArgumentParser(prog="python -m benchrunner.sim.failures", description=__doc__)
    parser.add_argument("--out", metavar="FOLDER", required=True, help="where the page and its plots go")
    folder = Path(parser.parse_args(arguments).out)
    try:
        for name, text in pages(lambda title: print(title, file=sys.stderr, flush=True)):
            (folder / name).write_text(text, encoding="utf-8", newline="\n")
    except OSError as error:
        print(
            f"{folder}: cannot be written: {error.strerror}\n    mend: choose another --out", file=sys.stderr
        )
        return 2
    return 0


if __name__ == "__main__":
    sys.exit(main())
