"""The battery inverter: losses, voltage after a load step, transfer, shift rate, charging limits, a full battery held."""

import math
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import numpy as np

from benchrunner import data
from benchrunner.sim.plant import RING, Plant
from benchrunner.sim.validation.rows import Row, Table, library

if TYPE_CHECKING:
    from benchrunner.cards.pairing import PairingCard


def table() -> Table:
    """All rows."""
    rows = [
        *losses(),
        *after_a_step(),
        *transfer(),
        *rate(),
        *bulk(),
        *absorption(),
        *full(),
        *overload(),
        *joins_again(),
    ]
    says = (
        "Grid-forming control as an envelope: output resistance, a voltage loop of first order, frequency shift by four loops of which"
        " the tightest rules. What happens inside a cycle is the waveform model's."
    )
    return Table("Battery inverter", says, tuple(rows))


def pairing() -> "PairingCard":
    """The sound one."""
    from benchrunner.cards.pairing import read_pairing

    return read_pairing(data.find("tarn6-corrie5", "resources", "pairings"))


def recorded(plant: Plant, until: float, taps: tuple[str, ...]) -> tuple[Any, dict[str, Any]]:
    """Times and the named taps on the internal grid until then."""
    times, rows = [], []
    while plant.now < until - 1e-9:
        since = plant.now
        plant.advance(min(until, since + 0.7 * RING * plant.step))
        t, r = plant.rows(since + plant.step / 2, plant.now)
        times.append(t)
        rows.append(r)
    table_ = np.concatenate(rows)
    return np.concatenate(times), {tap: table_[:, plant.taps.index(tap)] for tap in taps}


def lost(card: "PairingCard", ac: float, link: float) -> float:
    """The loss law: no-load draw grows with the DC voltage, resistive loss falls with its square."""
    t, over = card.twin, link / card.battery.nominal_voltage
    return (
        t.idle_loss * over
        + t.linear_loss * ac
        + t.square_loss / card.battery_inverter.rated_power * (ac / over) ** 2
    )


def losses() -> Iterator[Row]:
    """What the DC side gives less what the AC side gets is the quadratic loss of the card's twin part."""
    card = pairing()
    t = card.twin
    for load in (0.0, 1500.0, 4500.0):
        plant = Plant(card, start={"soc": 0.6, "grid.closed": 0.0, "load.power": load})
        plant.advance(30.0)
        ac = plant.value("battery_inverter.power")
        bled = plant.value("battery.voltage") ** 2 / t.bleed_resistance
        ours = -plant.value("battery.power") - ac - bled
        expected = lost(card, ac, plant.value("battery.voltage"))
        source = "closed form: idle, linear and square loss over DC voltage (the law is common practice)"
        yield Row(f"loss at {load:g} W of load, islanded", ours, expected, 1.0, "W", source)


def after_a_step() -> Iterator[Row]:
    """The voltage after a load step: dip behind both resistances, recovery to droop: one ordinary differential equation."""
    from scipy.integrate import solve_ivp

    card = pairing()
    t = card.twin
    plant = Plant(card, start={"soc": 0.6, "grid.closed": 0.0, "load.power": 500.0})
    plant.advance(10.0)
    plant.set("load.power", 4000.0)
    times, rows = recorded(plant, 10.3, ("bus.voltage",))
    g0, g = 500.0 / 230.0**2, 4000.0 / 230.0**2
    z = t.output_resistance + t.transient_resistance
    before = 230.0 / (1 + t.output_resistance * g0) * g0  # the slow part of the current has settled

    def volts(slow: float) -> float:
        return (230.0 + t.transient_resistance * slow) / (1 + z * g)

    found = solve_ivp(
        lambda _, y: [(volts(y[0]) * g - y[0]) / t.recovery_time],
        (0, 0.3),
        [before],
        rtol=1e-9,
        atol=1e-12,
        dense_output=True,
    )
    for at in (0.01, 0.03, 0.06, 0.12, 0.28):
        k = int(np.argmin(np.abs(times - 10.0 - at)))
        # the plant's values hold for the step that ends there
        reference = volts(float(found.sol(max(0.0, times[k] - 10.0 - plant.step))[0]))
        source = f"scipy {library('scipy')} solve_ivp of the loop's equation, written again"
        yield Row(
            f"500 W to 4 kW: {at * 1e3:g} ms after",
            float(rows["bus.voltage"][k]),
            reference,
            0.2,
            "V",
            source,
        )
    yield Row("500 W to 4 kW: settled", float(rows["bus.voltage"][-1]), 230.0 / (1 + t.output_resistance * g), 0.05, "V",
              "closed form: voltage divider of output resistance and load")  # fmt: skip


def transfer() -> Iterator[Row]:
    """From the loss of the grid to the bus being formed: never longer than the nameplate, by no more than the spread shorter."""
    card = pairing()
    found = []
    for seed in range(1, 40):
        plant = Plant(card, seed=seed, start={"soc": 0.6, "load.power": 1000.0})
        plant.advance(5.0 + 0.0007 * seed)
        plant.set("grid.closed", 0.0)
        plant.advance(6.0)
        at = next(e for e in plant.events if e.kind == "transfer")
        found.append(at.t - at.data["lost_at"])
    b, spread = card.battery_inverter, card.twin.transfer_spread
    source = "nameplate: transfer time, and the twin's spread"
    yield Row("longest of 39 transfers", max(found), b.transfer_time, 1e-3, "s", source)
    yield Row("shortest of 39 transfers", min(found), b.transfer_time - spread, 1e-3, "s", source)


def rate() -> Iterator[Row]:
    """The frequency never moves faster than the nameplate's rate."""
    plant = rejecting(pairing())
    _, rows = recorded(plant, 40.0, ("bus.frequency",))
    steepest = float(np.max(np.abs(np.diff(rows["bus.frequency"])))) / plant.step
    yield Row(
        "load rejection on a full battery: steepest frequency",
        steepest,
        3.0,
        1e-6,
        "Hz/s",
        "nameplate: shift rate",
    )


def rejecting(card: "PairingCard", step: float = 0.005) -> Plant:
    """Islanded with sun and load, nearly full; the load goes at 20 s."""
    start = {
        "soc": 0.995,
        "grid.closed": 0.0,
        "load.power": 3000.0,
        "pv_source.irradiance": 900.0,
        "pv_inverter.on": 1.0,
    }
    plant = Plant(card, start=start, step=step)
    plant.advance(20.0)
    plant.set("load.power", 0.0)
    return plant


def bulk() -> Iterator[Row]:
    """Much sun, little load, half full: the charge current stands at its limit."""
    card = pairing()
    b = card.battery_inverter
    card = card.model_copy(update={"battery_inverter": b.model_copy(update={"charge_current": 40.0})})
    start = {
        "soc": 0.5,
        "grid.closed": 0.0,
        "load.power": 500.0,
        "pv_source.irradiance": 1000.0,
        "pv_inverter.on": 1.0,
    }
    plant = Plant(card, start=start)
    plant.advance(120.0)
    yield Row(
        "bulk: charge current",
        plant.value("battery.current"),
        40.0,
        0.1,
        "A",
        "definition: the limit that rules",
    )


def absorption() -> Iterator[Row]:
    """Once in absorption the battery's voltage, or its highest cell, stands at the target."""
    plant = Plant(
        pairing(),
        start={"soc": 0.98, "grid.closed": 0.0, "pv_source.irradiance": 900.0, "pv_inverter.on": 1.0},
    )
    while plant.value("battery_inverter.stage") != 2.0 and plant.now < 3600.0:
        plant.advance(plant.now + 10.0)
    plant.advance(plant.now + 60.0)
    b = plant.pairing.battery_inverter
    gaps = {
        "battery voltage": (plant.value("battery.voltage"), b.absorption_voltage, 0.05),
        "highest cell": (plant.value("battery.cell_voltage_max"), b.cell_voltage_limit or math.inf, 0.005),
    }
    name, (ours, target, allowed) = min(
        gaps.items(), key=lambda item: abs(item[1][0] - item[1][1]) / item[1][1]
    )
    yield Row(f"absorption: {name}", ours, target, allowed, "V", "definition: the target that rules")


def full() -> Iterator[Row]:
    """Full and at rest: no battery current; PV gives what load and losses take."""
    card = pairing()
    plant = Plant(
        card,
        start={
            "soc": 0.999,
            "grid.closed": 0.0,
            "load.power": 400.0,
            "pv_source.irradiance": 900.0,
            "pv_inverter.on": 1.0,
        },
    )
    plant.advance(5400.0)
    yield Row(
        "full: stage",
        plant.value("battery_inverter.stage"),
        4.0,
        0.0,
        "4 = rest",
        "design of the stages (common practice)",
    )
    yield Row("full: battery current", plant.value("battery.current"), 0.0, 0.15, "A", "definition of rest")
    t = card.twin
    bled = plant.value("battery.voltage") ** 2 / t.bleed_resistance
    ac = -plant.value("battery_inverter.power")
    own = lost(card, ac, plant.value("battery.voltage"))
    expected = plant.value("load.power") + own + bled + plant.value("battery.power")
    yield Row(
        "full: PV power",
        plant.value("pv.power"),
        expected,
        1.0,
        "W",
        "closed form: load, losses, and what the battery takes",
    )


def overload() -> Iterator[Row]:
    """More than rated power: borne for a time that falls with the square of the load, as of a body that heats up."""
    card = pairing()
    battery = card.battery.model_copy(update={"over_current": 500.0})
    card = card.model_copy(update={"battery": battery})
    b = card.battery_inverter
    for load in (7500.0, 8700.0):
        plant = Plant(card, start={"soc": 0.8, "grid.closed": 0.0, "load.power": 1000.0})
        plant.advance(5.0)
        plant.set("load.power", load)
        plant.advance(5.5)
        share = plant.value("battery_inverter.power") / b.rated_power
        plant.advance(60.0)
        stopped = next((e.t - 5.0 for e in plant.events if e.kind == "inverter-stop"), math.nan)
        expected = b.surge_time * ((b.surge_power / b.rated_power) ** 2 - 1.02**2) / (share**2 - 1.02**2)
        yield Row(f"{load / 1e3:g} kW on 6 kVA: stops after", stopped, expected, 0.02 * expected, "s",
                  "closed form of the heating curve (form of IEC 60255-149)")  # fmt: skip


def joins_again() -> Iterator[Row]:
    """At re-transfer slip, angle and voltage lie within the windows (IEEE 1547-2018, 4.10.4: 0.3 Hz, 20 degrees, 10 %)."""
    worst = {"slip": 0.0, "angle": 0.0, "difference": 0.0}
    for seed in range(1, 9):
        plant = Plant(pairing(), seed=seed, start={"soc": 0.7, "grid.closed": 0.0, "load.power": 1000.0})
        plant.advance(10.0)
        plant.set("grid.frequency", 49.9 + 0.02 * seed)
        plant.set("grid.closed", 1.0)
        plant.advance(240.0)
        event = next(e for e in plant.events if e.kind == "re-transfer")
        worst = {name: max(value, abs(event.data[name])) for name, value in worst.items()}
    source = "IEEE 1547-2018, 4.10.4, up to 500 kVA (from memory): 0.3 Hz, 20 degrees, 10 %"
    yield Row("eight returns of the grid: largest slip at closing", worst["slip"], 0.0, 0.3, "Hz", source)
    yield Row("largest angle at closing", math.degrees(worst["angle"]), 0.0, 20.0, "degrees", source)
    yield Row("largest difference of voltage at closing", worst["difference"], 0.0, 23.0, "V", source)
