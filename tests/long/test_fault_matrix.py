"""Every fault of every instrument at every moment of a run, in memory and, for what happens to a link, on the wire.

The cases come in a seeded order, so a part of them is a sample. As a program it keeps what each run came to in a file of
JSON lines, and writes the tables of the guide from it:

    python tests/long/test_fault_matrix.py run OUTCOMES [--wire] [--minutes N]    # one of each may run side by side
    python tests/long/test_fault_matrix.py table OUTCOMES... > resources/guide/faults-table.md
"""

import argparse
import gc
import json
import shutil
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import Any

import pytest

sys.path.insert(0, str(Path(__file__).parents[1]))
sys.path.insert(0, str(Path(__file__).parents[1] / "engine"))

from fault_matrix import (
    CARD,
    CLASSES,
    DOWN,
    DROP,
    MOMENTS,
    WIRE,
    Case,
    assert_rule,
    every_case,
    honest_checks,
    run_card,
    run_wire,
)

WORDS = ("passed", "no pass", "made safe", "alarm", "refused", "BROKEN")
SAYS = {
    "passed": "finished, and every check agrees with the undisturbed run within its uncertainty",
    "no pass": "finished; a check fails or is inconclusive",
    "made safe": "made safe, sealed as not finished",
    "alarm": "sealed, and said loudly that the safe state could not be confirmed",
    "refused": "refused before anything was switched on",
    "BROKEN": "the rule was broken",
}


def wire_cases() -> list[Case]:
    """What happens to a link, on the wire: before, during and after the load drop, in the order of `every_case`."""
    return [case for case in every_case() if case.kind in (*WIRE, *DOWN) and case.at in (0.0, DROP, 200.0)]


def outcomes(cases: Iterable[Case], wire: bool) -> Iterator[dict[str, Any]]:
    """Carry them out one after the other."""
    with tempfile.TemporaryDirectory() as folder:
        honest = honest_checks(run_card(CARD, Path(folder) / "honest"))
        run: Callable[[str, Path], Any] = run_wire if wire else run_card
        for number, case in enumerate(cases):
            place, began = Path(folder) / str(case), time.monotonic()
            try:
                word, why = assert_rule(case, run(case.card(), place), honest, number % 8 == 0), ""
            except AssertionError as error:
                word, why = "BROKEN", str(error).splitlines()[0][:300]
            shutil.rmtree(place, ignore_errors=True)
            gc.collect()  # in one process a run's plant, 9 MB, is not let go by itself
            yield {
                "case": str(case), "instrument": case.instrument, "class": CLASSES[case.instrument], "kind": case.kind,
                "at": case.at, "count": case.count, "wire": wire, "word": word, "why": why,
                "seconds": round(time.monotonic() - began, 2),
            }  # fmt: skip


def table(rows: list[dict[str, Any]], key: str, head: str, name: Callable[[Any], str] = str) -> str:
    """Counts of what runs came to, by one key, as a table of the guide."""
    keys = list(dict.fromkeys(row[key] for row in sorted(rows, key=lambda row: str(row[key]).zfill(8))))
    counts = Counter((row[key], row["word"]) for row in rows)
    words = [word for word in WORDS if any(row["word"] == word for row in rows)]
    lines = [f"| {head} | runs | " + " | ".join(words) + " |", "|---|" + "---:|" * (len(words) + 1)]
    for one in keys:
        total = sum(counts[one, word] for word in words)
        lines.append(
            f"| {name(one)} | {total} | " + " | ".join(str(counts[one, word] or "") for word in words) + " |"
        )
    lines.append(
        f"| **all** | {len(rows)} | " + " | ".join(str(sum(counts[k, w] for k in keys)) for w in words) + " |"
    )
    return "\n".join(lines)


def page(rows: list[dict[str, Any]]) -> str:
    """The tables of the guide."""
    memory, wire = [r for r in rows if not r["wire"]], [r for r in rows if r["wire"]]
    parts = [
        f"In memory: {len(memory)} of {len(every_case())} runs. On the wire: {len(wire)} of {len(wire_cases())}. "
        f"Longest run: {max((row['seconds'] for row in rows), default=0.0):.0f} s; none hung.",
        "",
        *(f"- *{word}*: {SAYS[word]}" for word in WORDS if any(row["word"] == word for row in rows)),
    ]
    for title, some in (("In memory", memory), ("On the wire: TCP, pseudo-terminals, Modbus TCP", wire)):
        if some:
            parts += ["", f"### {title}, by fault", "", table(some, "kind", "fault")]
            parts += ["", f"### {title}, by class", "", table(some, "class", "class", lambda k: f"`{k}`")]
            parts += ["", f"### {title}, by moment", "", table(some, "at", "fault from", _moment)]
    broken = [row for row in rows if row["word"] == "BROKEN"]
    if broken:
        parts += [
            "",
            "### Where the rule is broken",
            "",
            *(f"- {row['case']}: {row['why']}" for row in broken),
        ]
    return "\n".join(parts) + "\n"


def _moment(at: float) -> str:
    return f"{at:g} s, {MOMENTS[at]}"


@pytest.mark.parametrize("wire", [False, True], ids=["memory", "wire"])
def test_the_rule_holds(wire: bool, capsys: pytest.CaptureFixture[str]) -> None:
    rows = []
    for row in outcomes(wire_cases() if wire else every_case(), wire):
        rows.append(row)
        if row["word"] == "BROKEN":
            with capsys.disabled():
                print(row, flush=True)
    with capsys.disabled():
        print("\n" + page(rows), flush=True)
    assert not [row for row in rows if row["word"] == "BROKEN"]


def main() -> None:
    """See the top of the file."""
    parser = argparse.ArgumentParser()
    parser.add_argument("what", choices=["run", "table"])
    parser.add_argument("files", nargs="+", type=Path)
    parser.add_argument("--wire", action="store_true")
    parser.add_argument("--minutes", type=float, default=1e9)
    parser.add_argument("--skip", type=int, default=0)
    given = parser.parse_args()
    if given.what == "table":
        rows = [json.loads(line) for path in given.files for line in path.read_text("utf-8").splitlines()]
        print(page(list({(row["case"], row["wire"]): row for row in rows}.values())))
        return
    end = time.monotonic() + 60.0 * given.minutes
    cases = (wire_cases() if given.wire else every_case())[given.skip :]
    done = []
    with given.files[0].open("a", encoding="utf-8") as kept:
        for row in outcomes(cases, given.wire):
            done.append(row)
            kept.write(json.dumps(row) + "\n")
            kept.flush()
            if row["word"] == "BROKEN":
                print(row, flush=True)
            if time.monotonic() > end:
                break
    print(page(done))


if __name__ == "__main__":
    main()
