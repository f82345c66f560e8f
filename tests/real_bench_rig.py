"""A bench that is said to be real, as tests have one: served stand-ins that do not call themselves simulated, and its proofs."""

import re
from pathlib import Path

from benchrunner.bench.prechecks import CHECKS, enter, enter_wiring
from benchrunner.cards.bench import read_bench

SERVED = (Path(__file__).resolve().parents[1] / "resources/benches/loopback.toml").read_text(encoding="utf-8")
NAMES = re.findall(r"^\[instruments\.(\w+)\]", SERVED, re.M)
SHORT = """
format = 1
title = "A load on the grid"
purpose = "One load, one check: short enough for real time."
basis = ["common practice"]
cautions = ["Hazardous voltage on the load terminals."]

[roles]
load = "ac_load"

[[steps]]
id = "load"
title = "Load on"
do = [["load.power", "1 kW"], ["load.on", true]]
until = { settled = "load.power", within = "50 W", for = "2 s" }
at_most = "20 s"
if_not = "stop"

  [[steps.checks]]
  id = "load-power"
  measure = "mean"
  of = "load.power"
  last = "1.5 s"  # the whole step's mean would hang on which poll saw the load come on
  low = "800 W"
  high = "1.2 kW"
  rule = "guarded"
"""


def real_card(folder: Path, *, stand_in: bool = True, due: str = "") -> Path:
    """The loopback bench as if it were real; `stand_in`: its identities do not say that they are simulated."""
    text = SERVED.replace("simulated = true", "simulated = false", 1)
    text = re.sub(
        r'^period = "[12]00 ms"', 'period = "500 ms"', text, flags=re.M
    )  # a busy machine blinds no guard
    text = re.sub(  # what the rate of the frequency needs
        r'(\[instruments\.bus_meter\].*?period = )"500 ms"', r'\1"150 ms"', text, count=1, flags=re.S
    )
    if stand_in:
        text = text.replace(",Simulated ", ",Stand-in ")
    if due:
        text = re.sub(r"^due = .*$", f"due = {due}", text, flags=re.M)
        text = re.sub(r"^calibrated = .*$", "calibrated = 2019-01-01", text, flags=re.M)
    path = folder / "real.toml"
    path.write_text(text, encoding="utf-8")
    return path


def stand_ins() -> str:
    """The served bench's card, whose instruments call themselves stand-ins."""
    text = SERVED
    for name in NAMES:
        head = re.search(rf"^\[instruments\.{name}\][^\n]*\n", text, re.M)
        assert head
        model = re.search(rf"\[instruments\.{name}\].*?,(Simulated [^,]*),", text, re.S)
        shown = model[1].replace("Simulated", "Stand-in") if model else "Stand-in"
        text = text.replace(head[0], head[0] + f'simulated = {{ model = "{shown}" }}\n')
    return text.replace(",Simulated ", ",Stand-in ")


def prove_all(card: Path, port_base: int | None = None) -> None:
    """The checks before power and the wiring proof, as if people had done them."""
    bench = read_bench(card)
    for name, kind in CHECKS.items():
        measured = {"value": "> 200 Mohm", "instrument": "HTL-IT-01"} if kind.measured else {}
        enter(bench, name, "A. Fell", port_base=port_base, **measured)
    enter_wiring(bench, True, "A. Fell", "proof.bench", port_base=port_base)
