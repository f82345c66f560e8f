"""An instrument that was told to misbehave does so in the way named, for as long as named, and then behaves again."""

import pytest
from stand_in import StandInPlant
from test_instruments import BUS, ask, instrument

from benchrunner.errors import Refused
from benchrunner.sim.emulators.base import Emulator


@pytest.fixture
def plant() -> StandInPlant:
    plant = StandInPlant()
    plant.advance(1.0)
    return plant


@pytest.fixture
def meter(plant: StandInPlant) -> Emulator:
    return instrument("ac_meter", "bus", plant, channels=BUS)


def test_silent_for_two_exchanges(meter: Emulator) -> None:
    good = ask(meter, "FETC?")
    meter.faults.add("silent", count=2)
    assert [meter.receive(b"FETC?\n") for _ in range(2)] == [b"", b""]
    assert ask(meter, "FETC?") == good


def test_drop_is_seen_by_whoever_serves(meter: Emulator) -> None:
    meter.faults.add("drop", count=1)
    assert meter.receive(b"FETC?\n") == b""
    assert meter.dropped
    assert meter.receive(b"FETC?\n") != b""
    assert not meter.dropped


def test_late(meter: Emulator) -> None:
    meter.faults.add("late", count=1, seconds=3.0)
    ask(meter, "FETC?")
    assert meter.delay == pytest.approx(meter.latency + 3.0)
    ask(meter, "FETC?")
    assert meter.delay == meter.latency


def test_cut_has_no_line_end(meter: Emulator) -> None:
    whole = meter.receive(b"FETC?\n")
    meter.faults.add("cut", keep=7, count=1)
    assert meter.receive(b"FETC?\n") == whole[:7]
    meter.faults.add("cut", keep=10_000, count=1)
    assert meter.receive(b"FETC?\n") == whole[:-1]


def test_garbage_is_repeatable_and_keeps_to_one_line(plant: StandInPlant) -> None:
    replies = []
    for _ in range(2):
        meter = instrument("ac_meter", "bus", plant, channels=BUS)
        meter.faults.add("garbage", count=2)
        replies.append([meter.receive(b"FETC?\n") for _ in range(3)])
    assert replies[0] == replies[1]
    first, second, third = replies[0]
    assert first != second
    assert len(first) == len(second) == len(third)
    assert first.count(b"\n") == 1
    assert not set(first) <= set(b"0123456789.,-E\n")


def test_previous_answers_the_query_before(plant: StandInPlant, meter: Emulator) -> None:
    volts, hertz = ask(meter, "MEAS:VOLT?"), ask(meter, "MEAS:FREQ?")
    meter.faults.add("previous", count=2)
    assert ask(meter, "MEAS:VOLT?") == hertz
    assert ask(meter, "MEAS:FREQ?") == volts
    assert ask(meter, "MEAS:FREQ?") == hertz


def test_stuck_overload_and_missing(plant: StandInPlant, meter: Emulator) -> None:
    before = ask(meter, "FETC?")
    meter.faults.add("stuck")
    plant.advance(9.0)
    frozen = ask(meter, "FETC?")
    plant.advance(12.0)
    assert ask(meter, "FETC?") == frozen != before
    meter.faults.clear()
    assert ask(meter, "FETC?") != frozen
    meter.faults.add("overload", count=1)
    assert ask(meter, "FETC?") == ",".join(["9.9E37"] * 7)
    meter.faults.add("missing", count=1)
    assert ask(meter, "FETC?") == ",".join(["9.91E37"] * 7)
    assert "E37" not in ask(meter, "FETC?")


def test_full_error_queue(meter: Emulator) -> None:
    meter.faults.add("errors", count=1)
    ask(meter, "FETC?")
    errors = [ask(meter, "SYST:ERR?") for _ in range(11)]
    assert errors[0] == '-310,"System error"'
    assert errors[9] == '-350,"Queue overflow"'
    assert errors[10] == '0,"No error"'


def test_from_a_plant_time_on(plant: StandInPlant, meter: Emulator) -> None:
    meter.faults.add("silent", at=5.0)
    assert ask(meter, "FETC?")
    plant.advance(5.0)
    assert not ask(meter, "FETC?")
    meter.faults.clear()
    assert ask(meter, "FETC?")


def test_welded_contact_and_stuck_auxiliary_contact(plant: StandInPlant) -> None:
    board = instrument("relay_board", "relays", plant)
    board.faults.add("welded", count=1)
    assert ask(board, "W1=0") == "OK"
    assert ask(board, "R1?") == "1"
    board.faults.add("stuck")
    assert ask(board, "W1=0") == "OK"
    assert plant.settings["relays.pv_contactor"] == 0.0
    assert ask(board, "R1?") == "1"
    board.faults.clear()
    assert ask(board, "R1?") == "0"
    switch = instrument("grid_switch", "grid", plant)
    switch.faults.add("welded", count=1)
    ask(switch, "ROUT:OPEN (@1)")
    assert plant.settings["grid.closed"] == 1.0


def test_unknown_kind_is_refused(meter: Emulator) -> None:
    with pytest.raises(Refused, match="no known kind of fault"):
        meter.faults.add("explode")


def test_a_reboot_loses_the_settings_and_is_over_in_time(plant: StandInPlant) -> None:
    load = instrument("ac_load", "load", plant)
    ask(load, "POW 2000;:INP ON;:SYST:ERR?")
    load.faults.add("reboot", at=1.0, seconds=2.0)
    assert load.receive(b"POW?\n") == b""
    assert load.dropped
    assert (plant.settings["load.power"], plant.settings["load.on"]) == (0.0, 0.0)
    plant.advance(2.9)
    assert load.receive(b"POW?\n") == b""
    plant.advance(3.1)
    assert ask(load, "POW?;:INP?;*ESR?") == "0.0;0;128"  # power on: IEEE 488.2, 11.5.1
    assert not load.dropped
    assert not load.faults.armed


def test_a_reboot_that_nobody_saw_has_closed_the_link_all_the_same(plant: StandInPlant) -> None:
    load = instrument("ac_load", "load", plant)
    ask(load, "POW 2000;:SYST:ERR?")
    load.faults.add("reboot", at=1.5)
    plant.advance(30.0)
    load.receive(b"POW?\n")
    assert load.dropped
    assert ask(load, "POW?") == "0.0"
    assert not load.dropped


def test_unplugged_until_plugged_in_keeps_the_settings(plant: StandInPlant) -> None:
    load = instrument("ac_load", "load", plant)
    ask(load, "POW 2000;:SYST:ERR?")
    load.faults.add("unplugged")
    plant.advance(100.0)
    assert load.receive(b"POW?\n") == b""
    assert load.faults.down(plant.now)
    load.faults.clear()
    assert ask(load, "POW?") == "2000.0"


def test_an_untrue_contact_reports_what_it_was_told(plant: StandInPlant) -> None:
    relays = instrument("relay_board", "relays", plant)
    relays.receive(b"W1=1\r\n")
    relays.faults.add("untrue")
    assert relays.receive(b"W1=0\r\n") == b"OK\r\n"
    assert relays.receive(b"R1?\r\n") == b"0\r\n"
    assert plant.settings["relays.pv_contactor"] == 1.0
