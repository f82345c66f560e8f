"""The simulated bench with faults in its wiring, and the wiring proof run on it in this process."""

import re
import tomllib
from pathlib import Path
from typing import Any

from benchrunner.engine.prepare import prepare
from benchrunner.engine.request import RunRequest
from benchrunner.engine.whole import whole_run
from benchrunner.record.opened import Record

ROOT = Path(__file__).resolve().parents[2]
ANSWERS = tomllib.loads((ROOT / "resources/answers/wiring-proof.toml").read_text(encoding="utf-8"))


class Silent:
    """An event stream that nobody reads, and an operator who says nothing."""

    def emit(self, event: Any) -> None:
        pass

    def send(self, *event: Any) -> None:
        pass

    def take(self) -> list[dict[str, str]]:
        return []


def prove(
    folder: Path,
    faults: dict[str, str] | None = None,
    seed: int = 1,
    answers: dict[str, str] | None = None,
    procedure: str = "wiring-proof",
    bench: str = "simulated",
    pairing: str = "tarn6-corrie5",
) -> tuple[dict[str, Any], Record]:
    """One wiring proof on the bench with these faults: instrument -> its `simulated` options as TOML."""
    text = (ROOT / f"resources/benches/{bench}.toml").read_text(encoding="utf-8")
    for instrument, options in (faults or {}).items():
        head = re.search(rf"^\[instruments\.{instrument}\][^\n]*\n", text, re.M)
        assert head is not None
        text = text.replace(head[0], head[0] + f"simulated = {{ {options} }}\n", 1)
    card = folder / "bench.toml"
    card.write_text(text, encoding="utf-8")
    request = RunRequest(
        procedure, pairing, bench=str(card), out=str(folder / "runs"), seed=seed, answers=ANSWERS if answers is None else answers
    )  # fmt: skip
    silent: Any = Silent()
    ended = whole_run(prepare(request), silent, silent)
    return ended, Record.open(ended["record"])


def found(record: Record) -> dict[str, Any]:
    """The check that names the faults: the last judgement of the wiring that was made; a fault may end the proof with it."""
    checks = [check for check in record.checks if check["measure"] == "wiring_faults"]
    judged = [check for check in checks if check["verdict"] != "not judged"]
    return dict(judged[-1] if judged else checks[-1])
