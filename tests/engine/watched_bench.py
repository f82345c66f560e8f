"""A served bench that remembers what it was told, and runs on it that can be killed. For the tests of the watchdog."""

import re
import time
from pathlib import Path
from typing import Any

from free_ports import free_base

from benchrunner import data
from benchrunner.cards.bench import read_bench
from benchrunner.cards.pairing import read_pairing
from benchrunner.sim.served import Server

ROOT = Path(__file__).resolve().parents[2]
LOOPBACK = (ROOT / "resources/benches/loopback.toml").read_text(encoding="utf-8")
SAFE_ORDER = [  # as the card declares it, and as its driver cards say it
    ("relays", "W1=0"),
    ("pv_source", "OUTPut OFF"),
    ("relays", "W3=0"),
    ("grid_switch", "ROUTe:OPEN (@1)"),
    ("load", "INPut OFF"),
    ("relays", "W2=0"),
]
HOLD = """
format = 1
title = "A load on the grid, for long"
purpose = "Long enough that something can go wrong."
basis = ["common practice"]
cautions = ["Hazardous voltage on the load terminals."]

[roles]
load = "ac_load"
pv_source = "pv_source"

[[steps]]
id = "load"
title = "Load and sun on"
do = [["load.power", "1 kW"], ["load.on", true], ["pv_source.irradiance", "500 W/m^2"], ["pv_source.on", true]]
until = { above = "load.power", value = "800 W", for = "1 s" }
at_most = "20 s"
if_not = "stop"

[[steps]]
id = "hold"
title = "Hold"
until = { above = "load.power", value = "100 kW" }
at_most = "120 s"
if_not = "fail"
"""


class Remembering(Server):
    """A served bench that keeps every message with its time."""

    def __init__(self, *given: Any, **how: Any) -> None:
        super().__init__(*given, **how)
        self.heard: list[tuple[float, str, str]] = []  # (monotonic, instrument, message)

    def exchange(self, name: str, data: bytes, reader: Any) -> tuple[bytes, float, bool]:
        at = time.monotonic()
        self.heard += [(at, name, line) for line in data.decode("ascii", "replace").splitlines()]
        return super().exchange(name, data, reader)

    def told(self, since: float = 0.0) -> list[tuple[str, str]]:
        """The settings that were sent since then, in their sequence, without repeats of one."""
        found = [
            (name, text)
            for at, name, text in list(self.heard)
            if at >= since and "?" not in text and not text.startswith("*")
        ]
        return list(dict.fromkeys(found))

    def setting(self, name: str) -> float:
        return float(self.call(lambda: self.plant.setting(name)))

    def plant_value(self, tap: str) -> float:
        return float(self.call(lambda: self.plant.value(tap)))


def card(folder: Path, top: str = "", swap: dict[str, str] | None = None) -> Path:
    """The loopback card with `top` put among its first keys, and with texts replaced."""
    text = LOOPBACK
    for old, new in (swap or {}).items():
        assert old in text, old
        text = text.replace(old, new)
    text = re.sub(
        r'^period = "[12]00 ms"', 'period = "300 ms"', text, flags=re.M
    )  # a busy machine blinds no guard
    text = text.replace("attended = false\n", f"attended = false\n{top}\n", 1)
    path = folder / "bench.toml"
    path.write_text(text, encoding="utf-8")
    return path


def served(path: Path, **how: Any) -> tuple[Remembering, int]:
    """The bench of a card, served in real time; not yet started. And the base of its ports."""
    base = free_base()
    pairing = read_pairing(data.find("tarn6-corrie5", "resources", "pairings"))
    return Remembering(read_bench(path), pairing, port_base=base, start={"battery.soc": 0.6}, **how), base
