"""The bench picture's contents: what is measured, what is worked out, and what is not known."""

from typing import Any

from benchrunner.app.model.bench import view
from benchrunner.app.model.run import RunState


def run_with(**values: float | None) -> RunState:
    run = RunState()
    channels = {
        name.replace("__", "."): {"times": [1.0], "values": [value]} for name, value in values.items()
    }
    run.feed({"at": 1.0, "kind": "readings", "data": {"channels": channels}})
    return run


def test_nothing_is_known_before_anything_is_read() -> None:
    seen = view(RunState())
    assert seen.grid_closed is seen.bus_live is seen.transfer_closed is seen.pv_contactor is None
    assert seen.grid.text == seen.battery_text == seen.bus_text == "–"


def test_the_transfer_relay_is_worked_out_and_doubt_is_shown() -> None:
    assert view(run_with(grid__current=13.0, grid__voltage=230.0, bus__voltage=230.0)).transfer_closed is True
    assert view(run_with(grid__current=0.0, grid__voltage=0.2, bus__voltage=230.0)).transfer_closed is False
    assert view(run_with(grid__current=0.0, grid__voltage=230.0, bus__voltage=230.0)).transfer_closed is None
    assert view(run_with(grid__current=None, grid__voltage=None, bus__voltage=230.0)).transfer_closed is None


def test_what_lies_upstream_of_an_open_grid_switch_is_not_called_dead() -> None:
    assert view(run_with(grid__closed=0.0, grid__voltage=0.0)).mains_live is None
    assert view(run_with(grid__closed=1.0, grid__voltage=230.0)).mains_live is True


def test_signs_stand_in_the_number() -> None:
    seen = view(
        run_with(battery_inverter__power=-3410.0, battery__current=60.0, pv__power=3420.0, load__power=-0.4)
    )
    assert (seen.battery_inverter.text, seen.battery.text, seen.pv.text) == (
        "−3.41 kW",
        "+60.0 A",
        "+3.42 kW",
    )
    assert seen.load.text == "0.00 kW" and not seen.load.flows


def test_a_dead_bus_has_no_frequency() -> None:
    assert view(run_with(bus__voltage=230.4, bus__frequency=51.64)).bus_text == "230.4 V  51.64 Hz"
    assert view(run_with(bus__voltage=0.1, bus__frequency=9.0)).bus_text == "0.1 V"


def test_a_real_run_is_described_in_words(real_run: list[dict[str, Any]]) -> None:
    run = RunState()
    words = ""
    for event in real_run:
        run.feed(event)
        if run.safe_since is not None:
            break
        if event["kind"] == "readings":
            words = view(run).words()  # at the newest readings of the island, before the bench was made safe
    assert (
        "Grid switch open" in words and "PV contactor closed" in words and "PV inverter running" in words
    ) or "throttled" in words
