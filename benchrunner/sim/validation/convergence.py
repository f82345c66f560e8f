"""Halving the plant's step: nothing changes that a verdict could see, and the differences shrink as its order says."""

import itertools
import math
from collections.abc import Iterator

import numpy as np

from benchrunner.sim.plant import STEP
from benchrunner.sim.validation.battery_inverter import pairing, recorded, rejecting
from benchrunner.sim.validation.rows import Row, Table

TAPS = ("bus.frequency", "battery.voltage", "battery.current", "pv.power", "bus.voltage")
# what the shipped load-rejection procedure could see: an expanded uncertainty of its checks (k = 2)
VISIBLE = {"peak frequency": (0.003, "Hz"), "battery peak": (0.14, "V"), "energy into the battery": (0.094, "Wh"),
           "time until curtailed": (0.12, "s"), "settled battery voltage": (0.14, "V")}  # fmt: skip


def table() -> Table:
    """All rows."""
    says = (
        f"A load rejection on a nearly full battery at the plant's own step ({STEP * 1e3:g} ms) and at halves of it. *Reference* is"
        " the finest run; *allowed* the expanded uncertainty of the check that would see it. The controls are stepped like those of"
        " a real inverter, by first-order steps between exact ones: the measured order is about one."
    )
    return Table("Step size", says, tuple(rows()))


def measures(step: float) -> dict[str, float]:
    """What the checks of a load rejection would see."""
    plant = rejecting(pairing(), step)
    times, found = recorded(plant, 60.0, TAPS)
    after = times > 20.0
    power = found["battery.voltage"] * found["battery.current"]
    charging = after & (power > 0)
    level = 0.1 * 5000.0
    above = np.nonzero(after & (found["pv.power"] > level))[0]
    return {
        "peak frequency": float(found["bus.frequency"].max()),
        "battery peak": float(found["battery.voltage"][after].max()),
        "energy into the battery": float(power[charging].sum() * step / 3600.0),
        "time until curtailed": float(times[above[-1]] - 20.0) if len(above) else 0.0,
        "settled battery voltage": float(found["battery.voltage"][times > 55.0].mean()),
    }


def rows() -> Iterator[Row]:
    steps = [STEP, STEP / 2, STEP / 4, STEP / 8]
    runs = [measures(step) for step in steps]
    for name, (visible, unit) in VISIBLE.items():
        yield Row(f"{name}: {STEP * 1e3:g} ms against {steps[-1] * 1e3:g} ms", runs[0][name], runs[-1][name], visible, unit,
                  "the same plant at an eighth of its step")  # fmt: skip
    yield from order()


def order() -> Iterator[Row]:
    """How fast the traces of ten seconds after the drop come together, over three halvings."""
    traces = []
    for halvings in range(5):
        step = STEP / 2**halvings
        times, found = recorded(rejecting(pairing(), step), 30.0, TAPS)
        at = np.round((np.arange(20.05, 29.95, 0.05) - times[0]) / step).astype(int)
        traces.append({tap: found[tap][at] for tap in ("bus.frequency", "battery.voltage")})
    for tap in ("bus.frequency", "battery.voltage"):
        apart = [float(np.sqrt(np.mean((a[tap] - b[tap]) ** 2))) for a, b in itertools.pairwise(traces)]
        source = "first-order method: RMS distance of two traces halves with the step"
        yield Row(
            f"measured order of {tap}",
            math.log2(apart[0] / apart[-1]) / (len(apart) - 1),
            1.0,
            0.2,
            "1",
            source,
        )
