"""Driver cards: the shipped ones hold together, and every mistake is named with its line and mend."""

from pathlib import Path

import pytest

from benchrunner.cards import reading
from benchrunner.cards.classes import CLASSES
from benchrunner.cards.driver import DriverCard, fit_driver, read_driver
from benchrunner.errors import Refused

ROOT = Path(__file__).parents[2]
SHIPPED = sorted((ROOT / "drivers").glob("*.toml"))

CARD = """format = 1
title = "Test meter"
class = "dc_meter"
[link]
kind = "visa"
[identify]
query = "*IDN?"
[[reads]]
query = "FETCh?"
parse = "comma list"
fields = [{ quantity = "voltage", unit = "V" }, { quantity = "current", unit = "mA" }]
"""


def problems(text: str) -> list[str]:
    with pytest.raises(Refused) as caught:
        fit_driver(reading.parse(text.encode(), "card.toml"))
    return [str(problem) for problem in caught.value.problems]


def fit(text: str) -> DriverCard:
    return fit_driver(reading.parse(text.encode(), "card.toml"))


@pytest.mark.parametrize("path", SHIPPED, ids=lambda p: p.stem)
def test_shipped_card_holds_together(path: Path) -> None:
    card = read_driver(path)
    assert card.klass in CLASSES
    assert set(card.quantities()) <= set(card.kind.reads)
    assert card.link.write_ends and card.link.read_ends, "both ends are explicit"
    for setting in card.settings:
        low, high = card.allowed(setting)
        assert low < high
        assert (
            card.settings[setting].read_back or card.settings[setting].point or card.settings[setting].answer
        )


def test_every_class_has_a_driver() -> None:
    assert {read_driver(path).klass for path in SHIPPED} == set(CLASSES)


def test_units_of_the_instrument_may_differ() -> None:
    card = fit(CARD)
    assert card.quantities() == ("voltage", "current")


@pytest.mark.parametrize(
    ("change", "to", "expected"),
    [
        ('class = "dc_meter"', 'class = "dc_metre"', "no known class"),
        ('quantity = "voltage"', 'quantity = "volts"', "reads no 'volts'"),
        ('unit = "mA"', 'unit = "Hz"', "Hz"),
        ('unit = "mA"', 'unit = "glugs"', "glugs"),
        ('quantity = "current", unit = "mA"', 'quantity = "voltage", unit = "V"', "more than once"),
        ('query = "FETCh?"', 'query = "FETCh? {value}"', "no known placeholder"),
        ('query = "FETCh?"', r'query = "FETCh?\n*RST"', "no command"),
        ('query = "FETCh?"', "", "needs a query"),
        ('parse = "comma list"', 'parse = "single"', "one field"),
        ('parse = "comma list"', 'parse = "register map"', "cannot carry"),
        ('kind = "visa"', 'kind = "carrier pigeon"', "link.kind"),
        ('kind = "visa"', 'kind = "visa"\ntimeout = 1', "bare number"),
        ('kind = "visa"', 'kind = "visa"\ntimeout = "0 s"', "too small"),
        ('[identify]\nquery = "*IDN?"', "[identify]", "has no query"),
        ('title = "Test meter"', 'title = "Test meter"\nlatency = "3 V"', "latency"),
        ('title = "Test meter"', 'title = "Test meter"\ncolour = "red"', "not a known key"),
        ("format = 1", "format = true", "is true, not a number"),
        ("format = 1", "format = 2", "format"),
        ('kind = "visa"', 'kind = "visa"\nstop_bits = true', "is true, not a number"),
        ('unit = "mA"', 'unit = "mA", scale = true', "is true, not a number"),
        ('unit = "mA"', 'unit = "mA", sign = true', "is true, not a number"),
        ('kind = "visa"', 'kind = "visa"\nchecksum = "xor"', "belongs to serial lines"),
        ('title = "Test meter"', 'title = "Test meter"\nsafe = [["on", false]]', "no setting"),
    ],
)
def test_mistakes_are_named(change: str, to: str, expected: str) -> None:
    assert change in CARD
    found = problems(CARD.replace(change, to))
    assert any(expected in text for text in found), found
    assert all("card.toml:" in text and "mend:" in text for text in found)


def test_all_mistakes_at_once() -> None:
    text = CARD.replace('"voltage", unit = "V"', '"volts"').replace('unit = "mA"', 'unit = "Hz"')
    assert len(problems(text)) == 2


def test_settings_need_a_range_and_words() -> None:
    load = CARD.replace("dc_meter", "ac_load").replace("mA", "A")
    assert any("range" in p for p in problems(load + '[settings.power]\ncommand = "P {value}"\nunit = "W"\n'))
    assert any("words" in p for p in problems(load + '[settings.on]\ncommand = "I {value}"\n'))
    assert any("{value}" in p for p in problems(load + '[settings.on]\ncommand = "I"\n'))
    backwards = '[settings.power]\ncommand = "P {value}"\nunit = "W"\nrange = ["5 kW", "0 W"]\n'
    assert any("backwards" in p for p in problems(load + backwards))
    in_kilowatts = '[settings.power]\ncommand = "P {value}"\nunit = "kW"\nrange = ["0 W", "5 kW"]\n'
    assert fit(load + in_kilowatts).allowed("power") == (0.0, 5000.0)


def test_register_blocks_are_one_read() -> None:
    """125 registers at most (Modbus Application Protocol V1.1b3, 6.3)."""
    text = """format = 1
title = "Test inverter"
class = "inverter"
[link]
kind = "modbus"
[identify]
[[reads]]
parse = "register map"
model = 701
fields = [
  { quantity = "own_power", unit = "W", at = 2, type = "int16", scale_at = 100 },
  { quantity = "own_frequency", unit = "Hz", at = AT, type = "uint32" },
]
"""
    card = fit(text.replace("AT", "125"))
    assert card.reads[0].span() == (2, 125)
    assert any("spans 126" in p for p in problems(text.replace("AT", "126")))
    assert any(
        "lacks at or type" in p
        for p in problems(text.replace('type = "uint32"', "scale = 2.0").replace("AT", "5"))
    )
    assert any(
        "model or address" in p for p in problems(text.replace("model = 701\n", "").replace("AT", "5"))
    )
