"""Compiles the simulation's kernels for this machine, so that the first run does not have to: `python -m benchrunner.sim.warm`.

The compiled kernels lie in the user's cache folder; where none is writable each process compiles its own.
"""

import os
import sys
import time
from collections.abc import Callable
from pathlib import Path

LAST = ("step.run-*.nbi", "kernel.run-*.nbi", "scope._digitise-*.nbi")  # kernels that call all others


def kept() -> bool:
    """Whether the kernels of this version lie compiled in the cache folder, as far as their names tell."""
    from benchrunner.sim.compiled import cache_folder

    chosen = os.environ.get("NUMBA_CACHE_DIR")
    place = Path(chosen) if chosen else cache_folder()
    return place is not None and all(any(place.rglob(name)) for name in LAST)


def compile_kernels(say: Callable[[str], None]) -> None:
    """Compile what a run uses, or load it from the cache folder; `say` gets a line for each part and one at the end.

    The shipped sound pairing loses its grid; the shipped bench's meters show it, its recorder catches it.
    """
    from benchrunner import data
    from benchrunner.cards.bench import read_bench
    from benchrunner.cards.pairing import read_pairing
    from benchrunner.sim.compiled import cache_folder

    began = time.perf_counter()
    say("compiling the plant ...")
    from benchrunner.sim.plant import Plant

    plant = Plant(read_pairing(data.find("tarn6-corrie5", "resources", "pairings")))
    plant.set("load.on", 1.0)
    plant.set("load.power", 1000.0)
    plant.advance(1.0)
    say("compiling the instruments ...")
    from benchrunner.sim.emulators import build
    from benchrunner.sim.emulators.base import Emulator
    from benchrunner.sim.emulators.scope import Scope

    instruments = build(read_bench(data.find("simulated", "resources", "benches")), plant)
    for one in instruments.values():
        if isinstance(one, Emulator):
            one.receive(b"FETCh?\n")
    scope = next(one for one in instruments.values() if isinstance(one, Scope))
    scope.receive(b"INPut1:STATe ON;:TRIGger:SOURce INPut1;CHANge 5;:RECord:SPAN 0.2;:INITiate\n")
    plant.set("grid.closed", 0.0)
    plant.advance(2.0)
    say("compiling the waveforms ...")
    if not scope.receive(b"TRACe:DATA? INPut1\n"):
        raise RuntimeError("the recorder caught nothing of a grid loss")
    say(f"compiled in {time.perf_counter() - began:.1f} s, {_where(cache_folder())}")


def ready(say: Callable[[str], None]) -> None:
    """Before a simulated bench is used: compile what does not lie compiled yet, and `say` so, since it takes a while."""
    if not kept():
        say("compiling the simulated bench for this machine: up to a minute, once")
        compile_kernels(say)


def _where(place: Path | None) -> str:
    if place is None:
        return "not kept: no folder of yours can be written, so each start compiles again"
    return f"kept in {place}"


def main() -> int:
    """As `compile_kernels`, for the command line."""
    compile_kernels(lambda line: print(line, flush=True))
    return 0


if __name__ == "__main__":
    sys.exit(main())
