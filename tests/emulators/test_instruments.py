"""Each simulated instrument in memory: its language, what it does to the plant, and how it errs."""

import math
import statistics

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from stand_in import StandInPlant

from benchrunner.cards.checksum import opened, sealed
from benchrunner.errors import Refused
from benchrunner.sim.emulators import MADE_BY, make
from benchrunner.sim.emulators.base import Emulator
from benchrunner.sim.emulators.options import Options, QuantityOptions

BUS = {"voltage": "bus.voltage", "power": "battery_inverter.power"}
GOOD = {
    "voltage": QuantityOptions(0.001, 0.3, 0.01),
    "current": QuantityOptions(0.001, 0.01, 0.001),
    "power": QuantityOptions(0.001, 3.0, 0.1),
    "frequency": QuantityOptions(0.0, 0.005, 0.001),
}
TEXT = [name for name, (module, _) in MADE_BY.items() if module not in ("sunspec_devices", "scope")]


def instrument(klass: str, role: str, plant: StandInPlant | None = None, **options: object) -> Emulator:
    return make(plant or StandInPlant(), f"{role}_{klass}", Options(klass, role, **options), seed=7)  # type: ignore[arg-type]


def ask(emulator: Emulator, text: str) -> str:
    end = "\r\n" if emulator.link == "serial" else "\n"
    if emulator.options.klass == "irradiance_sensor":  # its lines carry a checksum
        line = sealed("xor", b"*", text.encode()) + b"\r\n"
        return opened("xor", b"*", emulator.receive(line).rstrip()).decode()
    return emulator.receive((text + end).encode()).decode().rstrip("\r\n")


def numbers(emulator: Emulator, text: str = "FETCh?") -> list[float]:
    return [float(part) for part in ask(emulator, text).split(",")]


def test_ac_meter_replies_in_the_order_of_its_language() -> None:
    plant = StandInPlant()
    meter = instrument("ac_meter", "bus", plant, channels=BUS, quantities=GOOD)
    plant.advance(2.0)
    volts, amperes, watts, va, var, factor, hertz = numbers(meter)
    assert volts == pytest.approx(230, abs=0.6)
    assert watts == pytest.approx(1200, abs=20)  # the ramp goes on by 100 W/s; update and window lag
    assert amperes == pytest.approx(watts / volts, abs=0.05)
    assert va == pytest.approx(volts * amperes, rel=1e-3)
    assert factor == pytest.approx(min(1.0, watts / va), abs=1e-3)
    assert var == pytest.approx(math.sqrt(max(0, va**2 - watts**2)), abs=25)
    assert hertz == pytest.approx(50 + 0.5 * math.sin(0.4), abs=0.03)
    assert numbers(meter, "MEAS:VOLT:AC?") == [volts]
    assert numbers(meter, ["meas:freq?", ":fetc:pow:pfac?"][0]) == [hertz]
    assert ask(meter, "MEAS:VOLT?;POW?;POW:APP?") == ";".join(
        ask(meter, "FETC?").split(",")[k] for k in (0, 2, 3)
    )


def test_before_the_first_update_a_meter_has_nothing() -> None:
    meter = instrument("ac_meter", "bus", channels=BUS)
    assert ask(meter, "FETC?") == ",".join(["9.91E37"] * 7)
    assert ask(meter, "MEAS:FREQ?") == "9.91E37"


def test_a_dead_bus_has_no_frequency_and_no_power_factor() -> None:
    plant = StandInPlant()
    plant.curves["bus.voltage"] = lambda t: 3.0
    plant.curves["battery_inverter.current"] = lambda t: 0.0
    plant.curves["battery_inverter.power"] = lambda t: 0.0
    meter = instrument("ac_meter", "bus", plant, channels=BUS)
    plant.advance(1.0)
    values = ask(meter, "FETC?").split(",")
    assert values[0] == "3.00"
    assert values[5:] == ["9.91E37", "9.91E37"]


def test_overload_and_what_follows_from_it() -> None:
    plant = StandInPlant()
    small = {**GOOD, "current": QuantityOptions(0.001, 0.01, 0.001, largest=4.0)}
    meter = instrument("ac_meter", "bus", plant, channels=BUS, quantities=small)
    plant.advance(0.5)  # 1050 W / 230 V = 4.6 A
    values = ask(meter, "FETC?").split(",")
    assert values[1:6] == ["9.9E37"] * 5
    assert float(values[0]) == pytest.approx(230, abs=1)
    assert float(values[6]) == pytest.approx(50, abs=0.1)


def test_a_quantity_without_a_tap_is_not_available() -> None:
    plant = StandInPlant()
    meter = instrument("dc_meter", "elsewhere", plant)
    plant.advance(1.0)
    assert ask(meter, "FETC?") == "9.91E37,9.91E37,9.91E37"


@pytest.mark.parametrize("seed", range(20))
def test_readings_stay_within_the_stated_accuracy(seed: int) -> None:
    """The card's limits are of the whole error (JCGM 100:2008, 4.3.7): fixed part and noise together, and one digit."""
    plant = StandInPlant()
    quantities = {
        "voltage": QuantityOptions(0.0005, 0.02, 0.001),
        "current": QuantityOptions(0.002, 0.05, 0.01),
        "power": QuantityOptions(0.002, 2.0, 0.1),
    }
    meter = make(plant, "m", Options("dc_meter", "battery", quantities=quantities), seed)
    errors: list[list[float]] = []
    for k in range(1, 200):
        plant.advance(k * 0.1 + 0.05)
        errors.append([a - b for a, b in zip(numbers(meter), (53.0, -20.0, -1060.0), strict=True)])
    for row in errors:
        for error, true, q in zip(row, (53.0, 20.0, 1060.0), quantities.values(), strict=True):
            assert abs(error) <= q.of_reading * true + q.of_range + q.resolution / 2 + 1e-9
    volts = [row[0] for row in errors]
    limit = 0.0005 * 53 + 0.02
    assert statistics.stdev(volts) == pytest.approx(0.1 * limit, rel=0.35)
    assert abs(statistics.mean(volts)) <= 0.5 * limit + 0.002


def test_fixed_errors_differ_between_instruments_and_seeds() -> None:
    def mean(name: str, seed: int) -> float:
        plant = StandInPlant()
        meter = make(
            plant,
            name,
            Options(
                "dc_meter", "battery", quantities={"voltage": QuantityOptions(0.01, 0, 0.001)}, noise=0.0
            ),
            seed,
        )
        plant.advance(1.0)
        return numbers(meter)[0]

    found = {mean(name, seed) for name in ("a", "b", "c") for seed in (1, 2, 3)}
    assert len(found) > 6


def test_resolution_is_what_the_display_shows() -> None:
    plant = StandInPlant()
    plant.curves["battery.voltage"] = lambda t: 52.3456 + 0.001 * t
    meter = instrument("dc_meter", "battery", plant, quantities={"voltage": QuantityOptions(0, 0, 0.05)})
    for k in range(1, 100):
        plant.advance(k * 0.3)
        volts = ask(meter, "FETC?").split(",")[0]
        assert len(volts.split(".")[1]) == 2
        assert abs(float(volts) / 0.05 - round(float(volts) / 0.05)) < 1e-6


def test_values_hold_between_updates_and_do_not_depend_on_who_asked() -> None:
    asked_often, asked_once = StandInPlant(), StandInPlant()
    often = instrument("ac_meter", "bus", asked_often, channels=BUS, quantities=GOOD, update=0.25)
    once = instrument("ac_meter", "bus", asked_once, channels=BUS, quantities=GOOD, update=0.25)
    replies = []
    for k in range(1, 400):
        asked_often.advance(k * 0.02)
        replies.append(ask(often, "FETC?"))
    assert 30 <= len(set(replies)) <= 33  # 8 s of four updates a second
    asked_once.advance(399 * 0.02)
    assert ask(once, "FETC?") == replies[-1]


@settings(max_examples=60, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.floats(0.001, 0.7), st.sampled_from(["FETC?", "MEAS:VOLT?", "*IDN?", "NONSENSE", "POW 1"])
        ),
        max_size=30,
    ),
    st.integers(0, 2**40),
)
def test_a_value_is_a_function_of_plant_time_and_seed_alone(
    course: list[tuple[float, str]], seed: int
) -> None:
    busy, quiet = StandInPlant(), StandInPlant()
    options = Options("ac_meter", "bus", BUS, GOOD, update=0.3, window=0.2)
    one, other = make(busy, "m", options, seed), make(quiet, "m", options, seed)
    for step, text in course:
        busy.advance(busy.now + step)
        ask(one, text)
    quiet.advance(busy.now)
    assert ask(one, "FETC?") == ask(other, "FETC?")


def test_the_window_averages_the_past() -> None:
    plant = StandInPlant()
    plant.curves["battery.current"] = lambda t: 10.0 if t < 5.0 else 20.0
    exact = {"current": QuantityOptions(0, 0, 0.001)}
    meter = instrument("dc_meter", "battery", plant, quantities=exact, update=0.1, window=1.0)
    plant.advance(5.6)
    amperes = numbers(meter)[1]
    assert 14.0 < amperes < 16.5  # about half of the window lies after the step


def test_clamp_ratio_and_direction() -> None:
    plant = StandInPlant()
    flipped = {
        "current": QuantityOptions(0, 0, 0.01, factor=-0.001),
        "power": QuantityOptions(0, 0, 0.1, factor=-1.0),
    }
    meter = instrument("dc_meter", "battery", plant, quantities=flipped)
    plant.advance(1.0)
    assert numbers(meter)[1:] == [0.02, 1060.0]


def test_load_bank() -> None:
    plant = StandInPlant()
    load = instrument("ac_load", "load", plant, own={"largest_power": 6000.0})
    assert ask(load, "INP?") == "0"
    assert plant.settings["load.on"] == 0
    ask(load, "POWer 2.4KW;INPut ON")
    assert ask(load, "POW?;INP?") == "2400.0;1"
    assert (plant.settings["load.power"], plant.settings["load.on"]) == (2400.0, 1.0)
    ask(load, "POW 6001")
    assert ask(load, "SYST:ERR?") == '-222,"Data out of range"'
    assert plant.settings["load.power"] == 2400.0
    plant.advance(1.0)
    assert numbers(load)[2] == pytest.approx(2400, abs=1)
    ask(load, "*RST")
    assert (plant.settings["load.power"], plant.settings["load.on"]) == (0.0, 0.0)


def test_pv_source() -> None:
    plant = StandInPlant()
    source = instrument("pv_source", "pv_source", plant)
    ask(source, "IRR 900;TEMP 45;:OUTP 1")
    assert ask(source, "IRR?;TEMP?;:OUTP?") == "900.0;45.0;1"
    assert plant.settings["pv_source.irradiance"] == 900.0
    assert plant.settings["pv_source.temperature"] == pytest.approx(318.15)
    assert plant.settings["pv_source.on"] == 1.0
    ask(source, "TEMP 300 K")
    assert ask(source, "TEMP?") == "26.9"  # 26.85 degC in tenths
    ask(source, "IRR 900 W/M2")
    assert ask(source, "SYST:ERR?") == '0,"No error"'


def test_grid_switch_reports_its_contact() -> None:
    plant = StandInPlant()
    switch = instrument("grid_switch", "grid", plant)
    assert ask(switch, "ROUT:CLOS:STAT? (@1)") == "1"
    ask(switch, "ROUTe:OPEN (@1)")
    assert plant.settings["grid.closed"] == 0.0
    assert ask(switch, "ROUTe:CLOSe:STATe? (@1)") == "0"
    ask(switch, "ROUT:CLOS (@1)")
    assert ask(switch, "ROUT:CLOS:STAT? (@1)") == "1"
    ask(switch, "ROUT:OPEN (@2)")
    assert ask(switch, "SYST:ERR?") == '-222,"Data out of range"'
    assert plant.settings["grid.closed"] == 1.0


def test_grid_source() -> None:
    plant = StandInPlant()
    source = instrument("grid_source", "grid", plant)
    ask(source, "VOLT 207 V;FREQ 52.1 HZ")
    assert ask(source, "VOLT?;FREQ?") == "207.00;52.100"
    assert (plant.settings["grid.voltage"], plant.settings["grid.frequency"]) == (207.0, 52.1)


def test_relay_board_and_interlock() -> None:
    plant = StandInPlant()
    board = instrument("relay_board", "relays", plant)
    assert ask(board, "R*?") == "1,1,1"
    assert ask(board, "W2=0") == "OK"
    assert plant.settings["relays.battery_contactor"] == 0.0
    assert ask(board, "R2?") == "0"
    assert ask(board, "R*?") == "1,0,1"
    for wrong in ("W2=2", "W9=1", "R0?", "R4?", "hello", "W2=1 ", " R1?"):
        assert ask(board, wrong).startswith("?") == (wrong.strip() not in ("W2=1", "R1?")), wrong
    assert ask(board, "N?").count(",") == 3
    assert board.receive(b"R1?\nR") == b"1\r\n"
    assert board.receive(b"2?\r\n") == b"1\r\n"
    assert board.receive(b"x" * 100_000 + b"\r\n") == b"? too long\r\n"
    interlock = instrument("interlock", "interlock", plant)
    assert ask(interlock, "I?") == "1"
    plant.curves["interlock.closed"] = lambda t: 0.0
    assert ask(interlock, "I?") == "0"
    assert ask(interlock, "I=1").startswith("?")


def test_identity_has_four_fields_without_stray_commas() -> None:
    for klass in TEXT:
        role = {
            "pv_source": "pv_source",
            "relay_board": "relays",
            "ac_load": "load",
            "interlock": "interlock",
        }.get(klass, "grid")
        emulator = instrument(klass, role, serial="17,4")
        fields = ask(emulator, "N?" if emulator.link == "serial" else "*IDN?").split(",")
        assert len(fields) == 4
        assert fields[2] == "17 4"


def test_unknown_class_is_refused() -> None:
    with pytest.raises(Refused, match="no emulator for class 'toaster'"):
        instrument("toaster", "kitchen")


@settings(max_examples=150, deadline=None)
@given(
    st.lists(
        st.one_of(
            st.binary(max_size=80), st.sampled_from([b"FETC?\n", b"W1=0\r\n", b"R*", b"?\r\n", b"POW 1e9\n"])
        ),
        max_size=12,
    )
)
def test_hostile_bytes_leave_every_instrument_usable(pieces: list[bytes]) -> None:
    plant = StandInPlant()
    plant.advance(1.0)
    for klass, role, query in (
        ("ac_meter", "bus", "FETC?"),
        ("relay_board", "relays", "R*?"),
        ("ac_load", "load", "POW?"),
    ):
        emulator = instrument(klass, role, plant)
        for piece in pieces:
            emulator.receive(piece)
        emulator.receive(b"\r\n")
        assert ask(emulator, query)[:1].isdigit()
