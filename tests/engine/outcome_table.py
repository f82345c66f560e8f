"""Every shipped procedure on every shipped pairing, run in this process; `python tests/engine/outcome_table.py` makes the guide's page.

A cell of the table is what the run came to, in the words of the exit codes, and where it did not pass the checks or the reason.
"""

import argparse
import sys
import tempfile
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from benchrunner.cards.pairing import PairingCard, read_pairing
from benchrunner.engine.prepare import prepare
from benchrunner.engine.request import RunRequest
from benchrunner.engine.whole import whole_run
from benchrunner.errors import Refused
from benchrunner.record.opened import Record

ROOT = Path(__file__).resolve().parents[2]
PAGE = ROOT / "resources" / "guide" / "outcomes.md"
COMMAND = "python tests/engine/outcome_table.py --out resources/guide/outcomes.md"
SOUND = ("tarn6-corrie5", "dune9-spit7", "fell15-ridge12")
# sound too, but each with something that the three have not
SPECIAL = ("fell15-ridge8-corrie2", "tarn6-corrie5-beck60")
# what catches a weak pairing first of all: the procedure that its own description is about
CATCHES = {
    "tarn6-scree5": "charge-to-full",
    "tarn6-scree5-sawtooth": "load-rejection",
    "tarn6-corrie5-moraine50": "load-rejection",
    "tarn6-corrie5-steep": "load-rejection",
    "tarn6-corrie5-touchy": "grid-loss",
    "tarn6-corrie9": "load-rejection",
    "tarn6-corrie5-dawn": "low-light",
    "tarn6-corrie5-lean": "discharge-to-target",
}
WORDS = {0: "pass", 1: "fail", 2: "refused", 3: "inconclusive", 4: "ended early", 5: "NOT SAFE"}
BENCHES = {"split-phase": "simulated-split-phase", "three-phase": "simulated-three-phase"}
# what a setting makes of a pairing that passes: procedure, pairing, settings, why
SETTINGS = (
    ("grid-loss", "tarn6-corrie5", {"load": "1 kW", "irradiance": "400 W/m^2"}, "PV brings twice the load, and for the gap of the transfer nobody takes the rest"),
    ("grid-loss", "fell15-ridge12", {"load": "3 kW", "irradiance": "400 W/m^2"}, "the same on three phases: nothing in it is of one topology"),
    ("grid-loss", "dune9-spit7", {"load": "2.95 kW", "irradiance": "400 W/m^2"}, "PV brings what the load takes: the bus does not notice, and there is no gap to be measured"),
    ("load-rejection", "fell15-ridge12", {"load_before": "3 kW"}, "a nearly full lead-acid battery takes little, so PV is held back before the load drops; the run waits for that rest and goes on"),
    ("load-rejection", "tarn6-corrie5-moraine50", {"charge": "96 %"}, "the same weak pairing with room in the battery: what the test is for shows only near full charge"),
    ("load-rejection", "tarn6-corrie9", {"load_before": "3 kW"}, "the same weak pairing with half of its rating rejected: a small drop proves nothing about a large one"),
)  # fmt: skip


@dataclass(frozen=True)
class Outcome:
    """What a run came to: exit code, ids of the checks that did not pass (each once), and the reason of an early end."""

    exit: int
    not_passed: tuple[str, ...]
    reason: str
    checks: tuple[dict[str, Any], ...] = ()

    @property
    def word(self) -> str:
        """As in the table's cells, without the particulars."""
        return WORDS[self.exit]

    def cell(self) -> str:
        """As in the table."""
        if self.exit == 0:
            return "pass"
        said = ", ".join(f"`{name}`" for name in self.not_passed[:4])
        if len(self.not_passed) > 4:
            said += f" and {len(self.not_passed) - 4} more"
        if self.reason:
            said = f"{said}; {self.reason}" if said else self.reason
        return f"**{self.word}**: {said}"


class Silent:
    """An event stream that nobody reads, and an operator who says nothing."""

    def emit(self, event: Any) -> None:
        pass

    def send(self, *event: Any) -> None:
        pass

    def take(self) -> list[dict[str, str]]:
        return []


def card(name: str) -> PairingCard:
    """A shipped pairing card."""
    return read_pairing(ROOT / "resources" / "pairings" / f"{name}.toml")


def bench_of(name: str) -> str:
    """The shipped bench on which a pairing fits."""
    pairing = card(name)
    if pairing.topology != "single-phase":
        return BENCHES[pairing.topology]
    array = sum(part.peak_power for _, part in pairing.pv_inverters) + (
        pairing.dc_pv.array.peak_power if pairing.dc_pv else 0.0
    )
    return "simulated" if array < 6000.0 else "simulated-15kw"


def procedures() -> list[str]:
    """Those that judge a pairing; the wiring proofs judge a bench."""
    return sorted(path.stem for path in (ROOT / "procedures").glob("*.toml") if "wiring" not in path.stem)


def proofs(name: str) -> list[str]:
    """The wiring proof of the bench that a pairing fits on."""
    return ["wiring-proof"] if card(name).topology == "single-phase" else ["wiring-proof-legs"]


def outcome(procedure: str, pairing: str, folder: Path, seed: int = 1, **settings: str) -> Outcome:
    """Run it, with nothing set that is not in `settings`."""
    answers = ROOT / "resources" / "answers" / f"{procedure}.toml"
    said = tomllib.loads(answers.read_text(encoding="utf-8")) if answers.is_file() else {}
    silent: Any = Silent()
    try:
        request = RunRequest(
            procedure,
            pairing,
            bench=bench_of(pairing),
            out=str(folder),
            seed=seed,
            answers=said,
            settings=settings,
        )
        ended = whole_run(prepare(request), silent, silent)
    except Refused as refused:
        first = refused.problems[0]
        return Outcome(2, (), f"{first.where}: {first.what}")
    if ended.get("problems"):
        first = ended["problems"][0]
        return Outcome(2, (), f"{first['where']}: {first['what']}")
    record = Record.open(Path(ended["record"]))
    bad = {c["id"]: None for c in record.checks if c["verdict"] in ("fail", "inconclusive")}
    reason = "" if ended["finished"] else str(ended["reason"])
    return Outcome(int(ended["exit"]), tuple(bad), reason, tuple(record.checks))


HEAD = f"""# What each shipped procedure makes of each shipped pairing

Made by `{COMMAND}` (some minutes); do not
edit. Each cell is a run on the simulated bench that the pairing fits on, in memory, seed 1, with nothing set: every parameter at
the procedure's own value, which follows the pairing.
`pass`, `fail`, `inconclusive`, `refused` (nothing was switched on) and `ended early` (a guard or a condition stopped it; the bench
was made safe) are exit codes 0, 1, 3, 2 and 4. The tests run a sample of the cells, the long tests all of them.

Simulated, all of it, with invented equipment: it shows what the procedures see, and is no evidence about any real pairing.
"""


def page(told: Any = lambda _: None) -> str:
    """The guide's page, from runs made now."""
    parts = [HEAD]
    with tempfile.TemporaryDirectory() as temporary:
        folder = Path(temporary)

        def cell(procedure: str, pairing: str, **settings: str) -> str:
            told(f"{procedure} {pairing} {settings or ''}")
            return outcome(procedure, pairing, folder, **settings).cell()

        parts += [
            "## Sound pairings",
            "",
            "| procedure | " + " | ".join(f"`{p}`" for p in SOUND) + " |",
            "|---" * 4 + "|",
        ]
        for name in procedures():
            parts.append(f"| `{name}` | " + " | ".join(cell(name, p) for p in SOUND) + " |")
        parts.append(
            "| wiring proof of its bench | " + " | ".join(cell(proofs(p)[0], p) for p in SOUND) + " |"
        )
        parts += ["", "## Two PV inverters of different kinds; AC and DC-coupled PV side by side", "",
                  "| procedure | " + " | ".join(f"`{p}`" for p in SPECIAL) + " |", "|---" * 3 + "|"]  # fmt: skip
        for name in procedures():
            parts.append(f"| `{name}` | " + " | ".join(cell(name, p) for p in SPECIAL) + " |")
        parts += ["", BECK, "", "## Weak pairings", "", WEAK, ""]
        for pairing, catcher in CATCHES.items():
            parts += [f"### `{pairing}`", "", card(pairing).note, "",
                      f"Its procedure: `{catcher}`.", "", "| procedure | outcome |", "|---|---|"]  # fmt: skip
            parts += [f"| `{name}` | {cell(name, pairing)} |" for name in procedures()]
            parts.append("")
        parts += [
            "## What a setting changes",
            "",
            "| procedure | pairing | set | outcome | why |",
            "|---|---|---|---|---|",
        ]
        for procedure, pairing, settings, why in SETTINGS:
            said = ", ".join(f"`{name}` {value}" for name, value in settings.items())
            parts.append(
                f"| `{procedure}` | `{pairing}` | {said} | {cell(procedure, pairing, **settings)} | {why} |"
            )
        parts += ["", LESSONS]
    return "\n".join(parts)


BECK = """`tarn6-corrie5-beck60` fails with reason. As the grid returns on a full battery its battery inverter gives the surplus of the
DC-coupled array to the grid at once, without any enter-service ramp, and on the grid both arrays export together, above the
rating of the PV inverter on the bus. While charging, the loop has taken the DC-coupled array back to nothing before it begins to
raise the frequency; until that frequency lies below what the ramping PV inverter already gives, some 3 s, the charge current goes
a tenth over its setting."""

WEAK = """Each is caught by the procedure that its own description is about; some others catch it too, and most do not, which is why
there is more than one procedure. A run that is `ended early` by a guard of the battery or by a dead bus is caught: nobody can
take it for a pass."""

LESSONS = """While nobody forms the bus the PV inverter drives its current through the load alone. With PV below the load the voltage
sags; with PV above it the bus swells until the PV inverter's own over-voltage protection ends it, on one phase and on three alike
(the over-voltage of inverters that lose their load is the subject of NREL/TP-5D00-63510, 2015). `grid-loss` therefore begins with PV at half of the
load, and the surplus is a setting of its own, in which the swell is judged and these pairings fail.
"""


def main() -> int:
    reader = argparse.ArgumentParser(description="the guide's page of outcomes")
    reader.add_argument("--out", type=Path, default=PAGE)
    text = page(lambda said: print(said, file=sys.stderr, flush=True))
    reader.parse_args().out.write_text(text, encoding="utf-8")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
