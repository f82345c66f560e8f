"""Compiles the simulation's kernels for this machine, so that the first run does not have to: `python -m benchrunner.sim.warm`.

The compiled kernels lie in the user's cache folder; where none is writable each process compiles its own.
"""

import sys
import time


def main() -> int:
    """Compile what a run uses, saying what it does and how long that took."""
    from benchrunner import data
    from benchrunner.cards.pairing import read_pairing
    from benchrunner.sim.compiled import cache_folder

    began = time.perf_counter()
    print("compiling the plant ...", flush=True)
    from benchrunner.sim.plant import Plant

    plant = Plant(read_pairing(data.find("tarn6-corrie5", "resources", "pairings")))
    plant.set("load.on", 1.0)
    plant.set("load.power", 1000.0)
    plant.advance(1.0)
    plant.set("grid.closed", 0.0)
    plant.advance(2.0)
    print("compiling the waveforms ...", flush=True)
    from benchrunner.sim.wave import waveform

    waveform(plant, ("bus.voltage", "battery.voltage", "battery.current"), 0.8, 20_000.0, 10_000)
    place = cache_folder()
    kept = (
        f"kept in {place}"
        if place
        else "not kept: no folder of yours can be written, so each start compiles again"
    )
    print(f"compiled in {time.perf_counter() - began:.1f} s, {kept}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
