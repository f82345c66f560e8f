"""How fast the program answers a command, beside a bare `import argparse`; and how fast a compiled plant stands, beside a bare kernel.

The plant's kernels come from the user's cache folder, as at every start but the first after a change of them: from the bare
interpreter to the end of the plant's first second, beside numba itself with one kernel of one line from its cache.

`python tests/speed/start.py [ROUNDS]`. Each start is a process of its own; figures are the median, with the quickest
beside it. The files are in the system's cache after the first round, which isn't counted. Closes with one JSON line.
"""

import json
import os
import statistics
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
STARTS = {
    "bare": ["-c", "import argparse"],
    "help": ["-m", "benchrunner", "--help"],
    "run help": ["-m", "benchrunner", "run", "--help"],
    "bare kernel": [__file__, "kernel"],
    "card": [__file__, "card"],
    "plant": [__file__, "plant"],
}
WANTED = 0.3  # s
WANTED_PLANT = 0.5  # s


def start(arguments: list[str]) -> tuple[float, float]:
    """Wall and processor time of one start, s (processor time 0 where the system does not say)."""
    before, began = os.times(), time.perf_counter()
    with subprocess.Popen([sys.executable, *arguments], cwd=ROOT, stdout=subprocess.PIPE) as child:
        assert child.stdout is not None
        if arguments[0] == __file__:  # it says when it is ready; how long it takes to go is no matter
            child.stdout.readline()
            wall = time.perf_counter() - began
        child.communicate()
    if arguments[0] != __file__:
        wall = time.perf_counter() - began
    if child.returncode:
        raise SystemExit(f"{arguments} ended with {child.returncode}")
    after = os.times()
    return wall, (after.children_user + after.children_system) - (
        before.children_user + before.children_system
    )


def kernel() -> None:
    """numba as it comes, with the least that it can load from its cache."""
    import numba
    import numpy as np

    @numba.njit(cache=True)
    def first(x: Any) -> Any:
        return x[0]

    first(np.zeros(1))


def card() -> Any:
    """The shipped sound pairing's card read, and nothing more."""
    from benchrunner import data
    from benchrunner.cards.pairing import read_pairing

    return read_pairing(data.find("tarn6-corrie5", "resources", "pairings"))


def plant() -> None:
    """Its plant, made and moved by one second."""
    given = card()
    from benchrunner.sim.plant import Plant

    Plant(given).advance(1.0)


def main(rounds: int) -> int:
    """All starts in turns."""
    spent: dict[str, list[tuple[float, float]]] = {name: [] for name in STARTS}
    for number in range(rounds + 1):
        for name, arguments in STARTS.items():
            found = start(arguments)
            if number:
                spent[name].append(found)
    figures = {}
    bare = statistics.median(wall for wall, _ in spent["bare"])
    print(f"{'':10}{'median s':>10}{'least s':>10}{'cpu s':>10}{'ratio':>8}")
    for name, found in spent.items():
        median = statistics.median(wall for wall, _ in found)
        least, cpu = min(wall for wall, _ in found), statistics.median(cpu for _, cpu in found)
        print(f"{name:10}{median:10.3f}{least:10.3f}{cpu:10.3f}{median / bare:8.2f}")
        key = name.replace(" ", "_")
        figures |= {
            f"{key}_s": median,
            f"{key}_least_s": least,
            f"{key}_cpu_s": cpu,
            f"{key}_ratio": median / bare,
        }
    print(
        f"wanted: a plant from the cache under {WANTED_PLANT} s; beyond the reading of its card it takes "
        f"{figures['plant_s'] - figures['card_s']:.3f} s; a whole process {figures['plant_s'] / figures['bare_kernel_s']:.2f} "
        "times that of numba with one bare kernel"
    )
    print(
        f"wanted: --help under {WANTED} s; it takes {figures['help_s']:.3f} s on this machine as it is loaded now"
    )
    print(json.dumps({name: round(value, 4) for name, value in figures.items()}))
    return 0


if __name__ == "__main__":
    if sys.argv[1:] in (["kernel"], ["card"], ["plant"]):
        {"kernel": kernel, "card": card, "plant": plant}[sys.argv[1]]()
        print("ready", flush=True)
        sys.exit(0)
    sys.exit(main(int(sys.argv[1]) if len(sys.argv) > 1 else 10))
