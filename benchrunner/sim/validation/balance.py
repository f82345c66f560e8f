"""Energy and charge: what was put in is stored, lost or delivered, each counted on its own, whatever happens."""

from collections.abc import Iterator

import numpy as np

from benchrunner import data
from benchrunner.sim.plant import Plant
from benchrunner.sim.validation.rows import Row, Table

SWITCHES = (
    "grid.closed",
    "pv_source.on",
    "relays.pv_contactor",
    "relays.battery_contactor",
    "relays.inverter_enable",
    "load.on",
)
PAIRINGS = ("tarn6-corrie5", "tarn6-scree5", "dune9-spit7", "fell15-ridge12")


def table() -> Table:
    """All rows."""
    says = (
        "Ten minutes of random orders (loads, sun, grid, contactors, enable) on each pairing, twice. The counters of sources,"
        " loads and losses are integrated each from its own voltages and currents; what is stored comes from the states alone."
    )
    return Table("Energy and charge", says, tuple(rows()))


def rows() -> Iterator[Row]:
    from benchrunner.cards.pairing import read_pairing

    for name in PAIRINGS:
        pairing = read_pairing(data.find(name, "resources", "pairings"))
        for seed in (1, 2):
            draw = np.random.Generator(np.random.Philox(key=[seed, len(name)]))
            start = {
                "soc": float(draw.uniform(0.2, 0.95)),
                "pv_source.irradiance": 700.0,
                "load.power": 1000.0,
            }
            plant = Plant(pairing, seed=seed, start=start)
            for _ in range(30):
                plant.advance(plant.now + float(draw.uniform(1.0, 39.0)))
                if draw.random() < 0.4:
                    plant.set(str(draw.choice(SWITCHES)), float(draw.integers(0, 2)))
                elif draw.random() < 0.5:
                    plant.set("load.power", float(draw.uniform(0, pairing.battery_inverter.rated_power)))
                else:
                    plant.set("pv_source.irradiance", float(draw.uniform(0, 1100)))
            e = plant.energies()
            moved = sum(abs(e[k]) for k in ("grid_source", "array", "load", "stored"))
            out = e["load"] + e["lost"] + e["stored"]
            yield Row(f"{name}, seed {seed}: put in against load, lost and stored", out / 3.6e6, e["put_in"] / 3.6e6,
                      1e-6 * moved / 3.6e6, "kWh", "conservation of energy")  # fmt: skip
