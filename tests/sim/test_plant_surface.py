"""The plant's surface: settings, taps, windows, snapshots, events, and that reading changes nothing."""

import math
import subprocess
import sys

import numpy as np
import pytest

from benchrunner import data
from benchrunner.errors import Refused
from benchrunner.sim import simulate
from benchrunner.sim.events import KEYS, NAMES
from benchrunner.sim.layout import TAPS
from benchrunner.sim.plant import RING, SETTINGS, Plant

REQUIRED = [
    "grid.voltage",
    "grid.current",
    "grid.power",
    "grid.frequency",
    "grid.closed",
    "bus.voltage",
    "bus.frequency",
    "battery_inverter.power",
    "battery_inverter.current",
    "pv.voltage",
    "pv.current",
    "pv.power",
    "pv.frequency",
    "load.voltage",
    "load.current",
    "load.power",
    "battery.voltage",
    "battery.cell_side_voltage",
    "battery.current",
    "battery.power",
    "battery.soc",
    "battery.cell_voltage_max",
    "battery.cell_voltage_min",
    "battery.temperature",
    "pv_source.voltage",
    "pv_source.current",
    "pv_source.power",
    "relays.pv_contactor",
    "relays.battery_contactor",
    "relays.inverter_enable",
    "interlock.closed",
    "battery_inverter.state",
    "battery_inverter.stage",
    "pv_inverter.state",
    "dc_link.voltage",
]


def script(plant, pace):
    """The same orders, read at another pace."""
    for at, setting, value in (
        (1.0007, "grid.closed", 0.0), (3.3333, "load.power", 500.0), (7.1, "load.power", 0.0), (9.0, "grid.closed", 1.0),
    ):  # fmt: skip
        while plant.now + pace < at:
            plant.advance(plant.now + pace)
            plant.window_mean(plant.tap_indices(["bus.voltage"]), plant.now - 0.2, plant.now)
            plant.value("battery.soc")
        plant.advance(at)
        plant.set(setting, value)
    plant.advance(15.0)
    return plant


def test_every_promised_tap_is_there(card):
    plant = Plant(card())
    assert set(REQUIRED) <= set(plant.taps)
    assert plant.taps == TAPS
    values = plant.values()
    for tap in REQUIRED:
        assert plant.value(tap) == values[tap]


def test_pace_of_reading_changes_nothing(card):
    start = {"soc": 0.9, "load.power": 2000.0, "pv_source.irradiance": 900.0, "pv_inverter.on": 1}
    one, other = script(Plant(card(), start=start), 0.0137), script(Plant(card(), start=start), 5.0)
    assert one.values() == other.values()
    assert one.events == other.events
    assert np.array_equal(one.rows(0.0, 15.0)[1], other.rows(0.0, 15.0)[1])
    assert one.energies() == other.energies()


def test_seed_moves_only_the_phase(card):
    a, b = Plant(card(), seed=1), Plant(card(), seed=2)
    assert a.value("grid.phase") != b.value("grid.phase")
    a.advance(5.0)
    b.advance(5.0)
    for tap in TAPS:
        if not tap.endswith(".phase"):
            assert a.value(tap) == b.value(tap)


def test_window_mean_is_the_mean_of_the_rows(card):
    plant = Plant(card(), start={"load.power": 1000.0})
    plant.advance(3.0)
    plant.set("load.power", 4000.0)
    plant.advance(3.37)
    taps = ["load.power", "bus.voltage", "battery.current"]
    indices = plant.tap_indices(taps)
    ours = plant.window_mean(indices, 2.9, 3.1)
    _, rows = plant.rows(2.9 + 1e-6, 3.1)
    assert len(rows) == 40
    assert ours == pytest.approx(rows[:, indices].mean(axis=0), rel=1e-12)
    assert plant.window_mean(indices, 3.1, 3.1) == pytest.approx(plant.rows(3.1, 3.1)[1][0, indices])


def test_ring_keeps_at_least_five_seconds(card):
    plant = Plant(card())
    plant.advance(60.0)
    times, _ = plant.rows(0.0, 60.0)
    assert len(times) == RING
    assert times[-1] - times[0] > 5.0


def test_events_carry_the_exact_moment_and_the_values_round_it(card):
    plant = Plant(card(), start={"load.power": 2000.0, "grid.closed": 0})
    plant.advance(4.00123)
    plant.set("load.power", 500.0)
    plant.advance(5.0)
    event = plant.events[-1]
    assert (event.t, event.kind) == (4.00123, "load-step")
    assert event.data["resistance_before"] == pytest.approx(230.0**2 / 2000.0)
    assert event.data["power_after"] == pytest.approx(500.0)
    assert event.before["load.power"] == pytest.approx(2000.0, rel=0.02)
    assert event.after["load.power"] == pytest.approx(500.0, rel=0.1)
    snapshot = plant.snapshot_at(4.00123)
    assert snapshot.t_before <= 4.00123 < snapshot.t_after
    assert snapshot.before == event.before
    assert snapshot.after == event.after
    later = plant.snapshot_at(4.5)
    assert later.t_after - later.t_before == pytest.approx(plant.step)


def test_snapshot_outside_the_ring_is_an_error(card):
    plant = Plant(card())
    plant.advance(60.0)
    for t in (1.0, 61.0):
        with pytest.raises(LookupError, match="is not within"):
            plant.snapshot_at(t)


def test_every_kind_of_event_has_a_name_and_keys():
    assert set(NAMES) == set(KEYS)
    assert {"load-step", "grid-lost", "transfer", "re-transfer", "pv-trip", "pv-connect", "protection-opened",
            "dc-trip", "inverter-stop", "contactor"} <= set(NAMES.values())  # fmt: skip


@pytest.mark.parametrize("name", sorted(SETTINGS))
def test_settings_refuse_what_is_out_of_range(card, name):
    plant = Plant(card())
    for value in (math.nan, math.inf, -1e12, 1e12):
        with pytest.raises(Refused, match="out of range"):
            plant.set(name, value)


def test_unknown_names_are_refused_with_what_there_is(card):
    with pytest.raises(Refused, match="no setting of the plant") as refusal:
        Plant(card()).set("load.watts", 1.0)
    assert "load.power" in str(refusal.value)
    with pytest.raises(Refused, match="nothing that the plant can start with"):
        Plant(card(), start={"sock": 0.5})
    with pytest.raises(Refused, match="no state of charge"):
        Plant(card(), start={"soc": 1.5})


def test_orders_to_what_the_pairing_has_not_are_refused(card):
    plant = Plant(card())
    for name, value in (
        ("load.power_l2", 100.0), ("grid.voltage_l3", 230.0), ("load.power_l1_l2", 100.0), ("pv_source_2.irradiance", 500.0),
    ):  # fmt: skip
        with pytest.raises(Refused, match="means nothing to"):
            plant.set(name, value)
    plant.set("load.power_l2", 0.0)  # what asks for nothing is given


def test_halving_the_step_changes_nothing_that_a_verdict_could_see(card, record):
    found = []
    for step in (0.005, 0.0025):
        plant = Plant(
            card(), step=step,
            start={"soc": 0.945, "load.power": 3000.0, "grid.closed": 0, "pv_source.irradiance": 900.0, "pv_inverter.on": 1},
        )  # fmt: skip
        plant.advance(10.0)
        plant.set("load.power", 0.0)
        _, rows = record(plant, 70.0)
        found.append(
            (rows["battery.voltage"].max(), rows["bus.frequency"].max(), rows["battery.current"][-1])
        )
    assert found[0][0] == pytest.approx(found[1][0], abs=0.03)  # V
    assert found[0][1] == pytest.approx(found[1][1], abs=0.005)  # Hz
    assert found[0][2] == pytest.approx(found[1][2], abs=0.05)  # A


def test_simulate_gives_a_table():
    table = simulate(
        "tarn6-corrie5", [(2.0, "grid.closed", 0), (4.0, "load.power", 0.0)], until=6.0, step=0.5,
        start={"load.power": 1500.0},
    )  # fmt: skip
    assert list(table.index) == pytest.approx(list(np.arange(13) * 0.5))
    assert list(table.columns) == list(TAPS)
    assert table["grid.closed"].loc[1.5] == 1.0
    assert table["grid.closed"].loc[2.5] == 0.0
    assert [e["kind"] for e in table.attrs["events"]] == [
        "grid-lost",
        "transfer-start",
        "transfer",
        "load-step",
    ]
    with pytest.raises(ValueError, match="step must be above"):
        simulate("tarn6-corrie5", step=0.0)


def test_the_room_loads_nothing_heavy_by_itself():
    code = (
        "import sys, benchrunner.sim;"
        "bad = [m for m in ('numpy', 'numba', 'pvlib', 'pandas', 'scipy') if m in sys.modules];"
        "print(bad); sys.exit(bool(bad))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr


def test_kernels_compile_where_no_folder_is_writable():
    """A read-only installation without a home: slower, but it starts."""
    code = (
        "import numpy as np\n"
        "from benchrunner.sim import compiled\n"
        "assert compiled.cache_folder() is None\n"
        "from benchrunner.sim.kernel.common import wrapped\n"
        "print(wrapped(1.25))\n"
    )
    nowhere = "/dev/null/nowhere" if sys.platform != "win32" else "Z:\\\\nowhere"
    import os

    environment = {k: v for k, v in os.environ.items() if k != "NUMBA_CACHE_DIR"}
    environment |= {"HOME": nowhere, "XDG_CACHE_HOME": nowhere, "LOCALAPPDATA": nowhere}
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=False, env=environment
    )
    assert done.returncode == 0, done.stderr
    assert done.stdout.strip() == "0.25"


def test_a_setting_reads_as_it_was_last_ordered(card):
    plant = Plant(card("tarn6-corrie5"), start={"load.power": 800.0, "grid.closed": 0.0})
    assert (plant.setting("load.power"), plant.setting("grid.closed")) == (800.0, 0.0)
    assert plant.setting("grid.voltage") == 230.0
    plant.set("load.power", 1250.0)
    assert plant.setting("load.power") == 1250.0  # at once, whatever the plant draws
    with pytest.raises(Refused, match="no setting"):
        plant.setting("load.colour")


@pytest.mark.parametrize(
    "path", sorted((data.folder("resources") / "pairings").glob("*.toml")), ids=lambda path: path.stem
)
def test_the_plant_carries_every_shipped_pairing(path):
    from benchrunner.cards.pairing import read_pairing

    pairing = read_pairing(path)
    plant = Plant(pairing, start={"soc": 0.6, "load.power": 1000.0, "grid.closed": 0.0})
    plant.advance(5.0)
    assert plant.value("bus.voltage_l1") == pytest.approx(pairing.phase_voltage, rel=0.05)
    assert plant.value("load.power") == pytest.approx(1000.0, rel=0.1)
