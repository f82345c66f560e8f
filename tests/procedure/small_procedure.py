"""A small procedure to bend in tests, and the values of a pairing."""

from pathlib import Path

from benchrunner.cards.pairing import read_pairing
from benchrunner.cards.reading import parse
from benchrunner.data import folder
from benchrunner.errors import Problem, Refused
from benchrunner.procedure.model import Procedure
from benchrunner.procedure.reader import read_document
from benchrunner.units import Quantity

SMALL = """\
format = 1
title = "Small"
purpose = "To be bent in tests."
basis = ["common practice"]
cautions = ["None of this is real."]

[roles]
load = "ac_load"
bus = "ac_meter"
battery = ["dc_meter", "battery_monitor"]
grid = "grid_switch"
relays = "relay_board"
scope = "waveform"

[parameters.size]
value = "2 kW"
range = ["0 W", "pairing.battery_inverter.rated_power"]
says = "Load"

[parameters.times]
value = 3
range = [1, 7]
says = "Repeats"

[values]
limit = "102 % * pairing.battery_inverter.absorption_voltage"

[[guards]]
id = "frequency"
channel = "bus.frequency"
high = "53 Hz"
delay = "1 s"
says = "too fast"

[[steps]]
id = "one"
title = "One"
do = [["load.power", "size"], ["grid.closed", false]]
until = { settled = "bus.frequency", within = "20 mHz", for = "5 s" }
at_most = "30 s"

  [[steps.checks]]
  id = "top"
  measure = "maximum"
  of = "battery.voltage"
  high = "limit"

[[steps]]
id = "again"
title = "Again"
repeats = "times"

  [[steps.steps]]
  id = "jolt"
  title = "Jolt"
  capture = { with = "scope", of = ["bus.voltage"], for = "1 s" }
  do = [["load.power", "0 W"]]
  until = { elapsed = "2 s" }

    [[steps.steps.checks]]
    id = "peak"
    measure = "peak"
    of = "bus.voltage"
    high = "450 V"

  [[steps.overall]]
  id = "worst-peak"
  check = "peak"
  over = "worst"
  high = "450 V"
"""


def bent(*changes: tuple[str, str]) -> str:
    """The small procedure with texts exchanged; each must be there."""
    text = SMALL
    for old, new in changes:
        assert old in text, old
        text = text.replace(old, new, 1)
    return text


def read_text(text: str) -> Procedure:
    """As if the text were in a file `small.toml`."""
    return read_document(parse(text.encode(), "small.toml"))


def problems(text: str) -> list[Problem]:
    """What the reader has to say about the text."""
    try:
        read_text(text)
    except Refused as refused:
        return list(refused.problems)
    return []


def pairing_values(name: str = "tarn6-corrie5") -> dict[str, Quantity]:
    """The values of a shipped pairing card."""
    card: Path = folder("resources") / "pairings" / f"{name}.toml"
    return read_pairing(card).values()
