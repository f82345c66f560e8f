"""What a bench card says of an instrument is how its emulator reads."""

import math

import pytest
from stand_in import StandInPlant

from benchrunner.cards.bench import Bench, fit_bench
from benchrunner.cards.reading import parse
from benchrunner.errors import Refused
from benchrunner.sim.emulators import build
from benchrunner.sim.emulators.options import from_bench
from benchrunner.sim.served.places import places

CARD = """
format = 1
title = "Clamps"
simulated = true
[served]
port_base = 27300
[instruments.meter]
role = "battery"
class = "dc_meter"
driver = "dc-meter-scpi"
address = "{address}"
period = "1 s"
update = "250 ms"
window = "500 ms"
serial = "HTL-1"
ratio = {{ current = 1000.0 }}
reversed = ["current", "power"]
accuracy = {{ current = {{ of_reading = "0.1 %", of_range = "60 mA", resolution = "10 mA" }} }}
simulated = {{ {simulated} }}
[instruments.relays]
role = "relays"
class = "relay_board"
driver = "relay-board-ascii"
address = "{other}"
period = "1 s"
"""
GOOD = {
    "address": "memory",
    "other": "memory",
    "simulated": 'current_range = "50 A", latency = "40 ms", noise = "5 %"',
}


def bench(**changes: str) -> Bench:
    return fit_bench(parse(CARD.format(**{**GOOD, **changes}).encode(), "clamps.toml"))


def test_card_to_options() -> None:
    options = from_bench(bench(), "meter")
    current, power, voltage = (options.quantity(q) for q in ("current", "power", "voltage"))
    assert (current.of_reading, current.of_range, current.resolution) == (0.001, 0.06, 0.01)
    assert current.factor == pytest.approx(-0.001)
    assert (power.factor, voltage.factor) == (-1.0, 1.0)
    assert (current.largest, power.largest) == (50.0, math.inf)
    assert (options.update, options.window, options.latency, options.noise) == (0.25, 0.5, 0.04, 0.05)
    assert options.identity("meter") == "Highmoor Training Laboratory,Simulated DC meter,HTL-1,1.0"
    assert options.channels == {q: f"battery.{q}" for q in ("voltage", "current", "power")}


def test_wrongly_wired_clamp() -> None:
    """The card says reversed; the simulated wiring says it is not: for trying the proof of the wiring."""
    options = from_bench(bench(simulated="current_reversed = true"), "meter")
    assert options.quantity("current").factor == pytest.approx(0.001)
    assert options.quantity("power").factor == -1.0


def test_a_simulated_option_that_is_no_quantity_is_refused() -> None:
    with pytest.raises(Refused) as refused:
        from_bench(bench(simulated='latency = "soon"'), "meter")
    assert "instruments.meter.simulated" in refused.value.problems[0].where
    assert refused.value.problems[0].mend


def test_a_fault_on_the_card() -> None:
    card = bench(simulated='fault = "silent", fault_at = "5 s", fault_count = 2')
    plant = StandInPlant()
    meter = build(card, plant, 1)["meter"]
    replies = []
    for now in (1.0, 5.0, 6.0, 7.0):
        plant.advance(now)
        replies.append(meter.receive(b"*OPC?\n"))
    assert replies == [b"1\n", b"", b"", b"1\n"]
    with pytest.raises(Refused, match="no known kind of fault"):
        build(bench(simulated='fault = "explode"'), plant, 1)
    with pytest.raises(Refused, match="simulated"):
        build(bench(simulated='fault = "late", fault_seconds = "a while"'), plant, 1)


def test_places_follow_the_addresses() -> None:
    kinds = {"meter": "visa", "relays": "serial"}
    card = bench(address="TCPIP0::127.0.0.1::{port+4}::SOCKET", other="socket://localhost:{port+5}")
    found, control = places(card, kinds, 50000)
    assert [(place.name, place.link, place.port) for place in found] == [
        ("meter", "tcp", 50004),
        ("relays", "tcp", 50005),
    ]
    assert control == 50000
    found, _ = places(bench(), kinds)
    assert [place.port for place in found] == [27301, 27302]


def test_places_that_cannot_be_served() -> None:
    kinds = {"meter": "visa", "relays": "serial"}
    with pytest.raises(Refused) as refused:
        places(bench(address="TCPIP0::192.0.2.7::5025::SOCKET", other="socket://127.0.0.1:{port}"), kinds)
    assert len(refused.value.problems) == 2
    assert "not this machine" in refused.value.problems[0].what
    assert "the control port" in refused.value.problems[1].what
    card = bench(address="TCPIP0::127.0.0.1::{port+1}::SOCKET", other="socket://127.0.0.1:50001")
    with pytest.raises(
        Refused, match="port 50001 is also that of meter"
    ):  # by this base; by the card's own it is not
        places(card, kinds, 50000)
    with pytest.raises(Refused, match="cannot be served"):
        places(bench(address="GPIB0::7::INSTR"), kinds)


def test_an_option_that_is_no_number_is_refused_in_words() -> None:
    bench_card = bench(simulated='fault = "silent", fault_count = "2"')
    assert from_bench(bench_card, "meter").number("fault_count", 0.0) == 2.0
    with pytest.raises(Refused, match="simulated option 'bits'"):
        from_bench(bench(simulated='bits = "many"'), "meter").number("bits", 14.0)
