"""The simulated recorder: its language, its trigger in plant time, its converter, its honesty."""

from pathlib import Path

import numpy as np
import pytest

from benchrunner.cards.pairing import read_pairing
from benchrunner.sim.emulators.options import Options
from benchrunner.sim.emulators.scope import CLIPPED, Scope
from benchrunner.sim.plant import Plant
from benchrunner.sim.wave import waveform

ROOT = Path(__file__).parents[2]
SOUND = read_pairing(ROOT / "resources" / "pairings" / "tarn6-corrie5.toml")
INPUTS = {
    1: "bus.voltage",
    2: "battery.voltage",
    3: "battery.current",
    4: "load.current",
    8: "battery_inverter.current",
}


def a_bench(seed=1, **own):
    start = {
        "soc": 0.9,
        "pv_inverter.on": 1.0,
        "pv_source.irradiance": 900.0,
        "load.power": 3000.0,
        "grid.closed": 0.0,
    }
    plant = Plant(SOUND, seed=2, start=start)
    plant.advance(2.0)
    return plant, Scope(plant, "scope", Options("waveform", "scope", inputs=INPUTS, own=own), seed)


def say(scope, *messages):
    return b"".join(scope.receive(message.encode() + b"\n") for message in messages)


def ask(scope, message):
    return say(scope, message).decode().rstrip("\n")


def armed(scope, rate=20_000, before=0.2, span=1.0, on=(1, 2, 4), source=4, change=3.0):
    say(scope, "ABORt", f"RECord:RATE {rate}", f"RECord:BEFore {before}", f"RECord:SPAN {span}")
    say(scope, *(f"INPut{n}:STATe {'ON' if n in on else 'OFF'}" for n in range(1, 9)))
    say(scope, f"TRIGger:SOURce INPut{source}", f"TRIGger:CHANge {change}", "INITiate")
    assert ask(scope, "SYSTem:ERRor?") == '0,"No error"'
    assert ask(scope, "TRIGger:STATe?") == "WAIT"


def until_done(plant, scope, poll=0.05, limit=20.0):
    end = plant.now + limit
    while plant.now < end:
        plant.advance(plant.now + poll)
        if ask(scope, "TRIGger:STATe?") == "DONE":
            return plant.now
    raise AssertionError("never done")


def record(scope, number):
    points, start, rate, trigger, scale, offset = map(
        float, ask(scope, f"TRACe:PREamble? INPut{number}").split(",")
    )
    raw = say(scope, f"TRACe:DATA? INPut{number}")
    # IEEE 488.2, 8.7.9: '#', digits of the length, the length, the data
    digits = int(raw[1:2])
    length = int(raw[2 : 2 + digits])
    assert raw[:1] == b"#"
    assert raw[2 + digits + length :] == b"\n"
    codes = np.frombuffer(raw[2 + digits : 2 + digits + length], dtype=">i2")
    assert len(codes) == points
    return start, rate, trigger, codes * scale + offset, codes


def a_capture(poll=0.05, seed=1, **settings):
    plant, scope = a_bench(seed)
    armed(scope, **settings)
    plant.advance(3.0123)
    assert ask(scope, "TRIGger:STATe?") == "WAIT"
    plant.set("load.power", 0.0)
    until_done(plant, scope, poll)
    return plant, scope


def test_a_capture_shows_what_the_plant_did():
    plant, scope = a_capture()
    start, rate, trigger, volts, _ = record(scope, 1)
    assert rate == 20_000.0
    assert 1.0123 < trigger < 1.0123 + 0.011  # seconds since INITiate at 2.0
    assert start == pytest.approx(trigger - 0.2, abs=1.1 / rate)
    assert len(volts) == pytest.approx(1.2 * rate, abs=2)
    true, _ = waveform(plant, ("bus.voltage", "battery.voltage"), 2.0 + start, rate, len(volts))
    assert np.abs(volts - true[0]).max() < 0.3e-2 * 400 + 0.5  # what the bench card states of it
    assert np.abs(record(scope, 2)[3] - true[1]).max() < 0.2e-2 * 60 + 0.05
    assert ask(scope, "TRACe:LACKs?") == '"thd"'


def test_done_comes_only_once_plant_time_has_passed_the_span():
    plant, scope = a_bench()
    armed(scope, span=2.0)
    plant.advance(3.0)
    plant.set("load.power", 0.0)
    done = until_done(plant, scope, poll=0.01)
    assert done >= 5.0
    assert done == pytest.approx(2.0 + record(scope, 1)[2] + 2.0, abs=0.03)


def test_the_record_does_not_depend_on_the_polls():
    one, two = a_capture(poll=0.013)[1], a_capture(poll=0.37)[1]
    for number in (1, 2, 4):
        a, b = record(one, number), record(two, number)
        assert a[:3] == b[:3]
        np.testing.assert_array_equal(a[4], b[4])


def test_noise_follows_the_seed_and_has_its_size():
    first, second = a_capture(seed=1)[1], a_capture(seed=2)[1]
    a, b = record(first, 2)[3], record(second, 2)[3]
    assert not np.array_equal(a, b)
    difference = (a - b) - np.mean(a - b)
    assert np.std(difference) == pytest.approx(
        np.sqrt(2 * (0.01**2 + 0.0122**2 / 12)), rel=0.1
    )  # 1e-4 of 100 V, and rounding


def test_codes_are_those_of_a_14_bit_converter():
    _, scope = a_capture()
    assert np.abs(record(scope, 1)[4]).max() <= 8191
    preamble = ask(scope, "TRACe:PREamble? INPut1").split(",")
    assert float(preamble[4]) == pytest.approx(800.0 / 8192)


def test_an_overdriven_input_takes_its_measures_away():
    plant = a_bench()[0]
    own = {"bus.voltage_range": 200.0}
    scope = Scope(plant, "scope", Options("waveform", "scope", inputs=INPUTS, own=own), 1)
    armed(scope)
    plant.advance(3.0)
    plant.set("load.power", 0.0)
    until_done(plant, scope)
    assert set(CLIPPED) <= set(ask(scope, "TRACe:LACKs?").strip('"').split(","))


def test_nothing_happens_and_nothing_triggers():
    plant, scope = a_bench()
    armed(scope, change=3.0)
    for _ in range(40):
        plant.advance(plant.now + 0.1)
        assert ask(scope, "TRIGger:STATe?") == "WAIT"
    say(scope, "ABORt")
    assert ask(scope, "TRIGger:STATe?") == "IDLE"


def test_settings_read_back():
    _, scope = a_bench()
    say(scope, "REC:RATE 50 KHZ;BEF 100 MS;SPAN 2", "INP2:STAT 1", "TRIG:SOUR INP3;CHAN 2.5")
    queries = "REC:RATE?", "REC:BEF?", "REC:SPAN?", "INP2:STAT?", "TRIG:SOUR?", "TRIG:CHAN?"
    assert [ask(scope, query) for query in queries] == ["50000", "0.1", "2", "1", "INP3", "2.5"]
    say(scope, "*RST")
    assert ask(scope, "INP2:STAT?") == "0"


@pytest.mark.parametrize(("messages", "code"), [
    (("INITiate",), -221),  # no input on
    (("INPut5:STATe ON",), -241),  # not wired
    (("INPut9:STATe ON",), -114),
    (("RECord:RATE 5000000",), -222),
    (("TRACe:DATA? INPut1",), -230),  # no record yet
    (("TRACe:LACKs?",), -230),
    (("INPut1:STATe ON", "RECord:RATE 200000", "RECord:SPAN 10", "INITiate"), -221),  # more than its memory
    (("INPut1:STATe ON", "INITiate", "INITiate"), -213),
    (("INPut1:STATe ON", "INITiate", "RECord:SPAN 2"), -221),
    (("TRIGger:CHANge 0",), -222),
])  # fmt: skip
def test_mistakes_end_in_the_error_queue(messages, code):
    _, scope = a_bench()
    assert say(scope, *messages) == b""
    assert ask(scope, "SYSTem:ERRor?").startswith(f"{code},")


def test_an_input_that_was_off_has_no_record():
    _, scope = a_capture(on=(1,), source=4)
    assert say(scope, "TRACe:DATA? INPut2") == b""
    assert ask(scope, "SYSTem:ERRor?").startswith("-221,")


def test_a_recorder_left_alone_too_long_says_so():
    plant, scope = a_bench()
    armed(scope)
    plant.advance(60.0)
    assert ask(scope, "TRIGger:STATe?") == "IDLE"
    assert ask(scope, "SYSTem:ERRor?").startswith("-230,")
