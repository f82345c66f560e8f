"""The plant's speed on one core: beside the same equations in C, and beside scipy's solve_ivp at the same accuracy.

`python tests/speed/plant.py [HOURS]`. Every part is on: three phases, two PV inverters with volt-var and a droop, a DC-coupled
array, every kind of load, lead-acid with gassing and rate effect. The C side is the kernels' own source, translated
(tests/speed/to_c.py) and compiled with `gcc -O3`; its rows must be those of numba's. The solver's side integrates the battery's five
states (charge, two branches, hysteresis, temperature), which it can; the plant has some hundred, with switches. Closes with one JSON line.
"""

import ctypes
import json
import multiprocessing
import os
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np

from benchrunner import data
from benchrunner.sim.kernel import step as kernel
from benchrunner.sim.plant import Plant

sys.path.insert(0, str(Path(__file__).resolve().parent))
from to_c import HEADER, translate

CHUNK = 2000  # steps, as the plant takes them
PAIRINGS = 1000


def everything(seed: int = 1) -> Plant:
    """A plant with every part on."""
    from benchrunner.cards.pairing import read_pairing
    from benchrunner.cards.pairing_parts import FurtherPv, VoltVar, VoltWatt

    card = read_pairing(data.find("fell15-ridge12", "resources", "pairings"))
    pv = card.pv_inverter.model_copy(update={"volt_var": VoltVar(), "volt_watt": VoltWatt()})
    further = FurtherPv.model_construct(inverter=pv, array=card.array)
    card = card.model_copy(update={"pv_inverter": pv, "further_pv": (further,)})
    start = {"soc": 0.7, "grid.closed": 0.0, "pv_source.irradiance": 700.0, "pv_inverter.on": 1.0, "load.power": 3000.0,
             "load.power_l1": 1800.0, "load.rectifier_power": 500.0, "load.phase_cut_power": 400.0, "load.constant_power": 600.0,
             "load.motor_power": 700.0, "load.reactive_power": 300.0}  # fmt: skip
    return Plant(card, seed=seed, start=start)


def arrays(plant: Plant) -> list[Any]:
    """What the kernel works on, in the order of its arguments."""
    names = {"x": "_x", "p": "_p", "u": "_u", "e": "_e", "y": "_y", "q": "_q", "w": "_w", "n": "_net", "table": "_table",
             "curves": "_curves", "ring": "_ring", "events": "_rows", "scratch": "_scratch"}  # fmt: skip
    wanted = kernel.run.py_func.__code__.co_varnames[3 : kernel.run.py_func.__code__.co_argcount]
    return [getattr(plant, names[name]) for name in wanted]


def in_c(folder: str, held: list[Any]) -> Any:
    """The kernel in C, as a function of (steps, first, dt)."""
    source = translate(kernel.run)
    wanted = kernel.run.py_func.__code__.co_varnames[3 : kernel.run.py_func.__code__.co_argcount]
    given, made, pointers = [], [], []
    for name, array in zip(wanted, held, strict=True):
        pointers.append(array.ctypes.data_as(ctypes.c_void_p))
        given.append(f"void *{name}")
        cpx = "cpx" if array.dtype == np.complex128 else "double"
        if array.ndim == 1:
            made.append(f"(A1){{({cpx} *){name}, {array.shape[0]}}}")
        else:
            made.append(
                f"({'C2' if cpx == 'cpx' else 'A2'}){{({cpx} *){name}, {array.shape[0]}, {array.shape[1]}}}"
            )
    source += f"\nlong run(long steps, long first, double dt, {', '.join(given)}) {{ return k_run(steps, first, dt, {', '.join(made)}); }}\n"
    place = Path(folder)
    (place / "plant.c").write_text(source)
    assert HEADER in source
    flags = ["-O3", "-march=native", "-ffp-contract=off", "-shared", "-fPIC", "-w"]
    subprocess.run(["gcc", *flags, "plant.c", "-o", "plant.so", "-lm"], cwd=place, check=True)
    function = ctypes.CDLL(str(place / "plant.so")).run
    function.restype = ctypes.c_long
    function.argtypes = [ctypes.c_long, ctypes.c_long, ctypes.c_double, *[ctypes.c_void_p] * len(pointers)]
    return lambda steps, first, dt: function(steps, first, dt, *pointers)


def beside_c(hours: float) -> dict[str, float]:
    """Both sides in turns of a chunk each on plants of their own, processor time; the rows compared after each."""
    ours, theirs = everything(), everything()
    mine, others = arrays(ours), arrays(theirs)
    with tempfile.TemporaryDirectory() as folder:
        c = in_c(folder, others)
        kernel.run(
            1, 0, ours.step, *[a.copy() for a in mine]
        )  # compiled, or taken from the cache, before the clock starts
        spent_ours, spent_c, worst, first = 0.0, 0.0, 0.0, 0
        for _ in range(max(1, round(hours * 3600 / (CHUNK * ours.step)))):
            begin = time.process_time()
            kernel.run(CHUNK, first, ours.step, *mine)
            middle = time.process_time()
            c(CHUNK, first, ours.step)
            spent_ours, spent_c = spent_ours + middle - begin, spent_c + time.process_time() - middle
            with np.errstate(invalid="ignore"):
                apart = np.nanmax(np.abs(ours.ring - theirs.ring) / (1.0 + np.abs(ours.ring)))
            worst = max(worst, float(apart))
            first += CHUNK
    seconds = first * ours.step
    return {"times_real_time": seconds / spent_ours, "c_times_real_time": seconds / spent_c, "against_c": spent_ours / spent_c,
            "largest_relative_difference": worst, "hours": seconds / 3600}  # fmt: skip


def beside_solver() -> dict[str, float]:
    """The battery's equations at our step, and scipy's solver at the tolerance that gives the same accuracy."""
    from scipy.integrate import solve_ivp

    from benchrunner.sim.chemistry import CHEMISTRIES
    from benchrunner.sim.validation.battery import plain

    usual, until, step = CHEMISTRIES["LFP"], 3600.0, 0.005

    def current(t: float) -> float:
        return 60.0 * np.sin(2 * np.pi * t / 1800.0)

    def slope(t: float, y: Any) -> list[float]:
        i, k = current(t), np.exp(usual.activation * (1 / y[4] - 1 / 298.15))
        lost = (
            k * 0.012 * i * i + y[1] ** 2 / (k * 0.008) + y[2] ** 2 / (k * 0.012) + 0.16 * abs(i) * y[3] ** 2
        )
        return [i / 720e3, i / 3750.0 - y[1] / (k * 30.0), i / 50e3 - y[2] / (k * 600.0),
                50.0 * abs(i) / 720e3 * (np.sign(i) - y[3]), lost / 60e3 - (y[4] - 298.15) / 18e3]  # fmt: skip

    begin = [0.5, 0.0, 0.0, 0.0, 298.15]
    exact = solve_ivp(slope, (0, until), begin, method="LSODA", rtol=1e-12, atol=1e-14, max_step=5.0).y[:, -1]
    made = plain("LFP", 16, 0.5, hysteresis=0.16, hysteresis_rate=50.0, activation=usual.activation)
    amperes = current((np.arange(round(until / step)) + 0.5) * step)
    from benchrunner.sim.layout import S

    drive(made, amperes[:2], step)  # compiled
    made = plain("LFP", 16, 0.5, hysteresis=0.16, hysteresis_rate=50.0, activation=usual.activation)
    start = time.process_time()
    drive(made, amperes, step)
    ours = time.process_time() - start
    error = max(abs(float(made._x[S.v_rc1]) - exact[1]), abs(float(made._x[S.hysteresis]) - exact[3]))
    for tolerance in (1e-4, 1e-5, 1e-6, 1e-7, 1e-8, 1e-9, 1e-10, 1e-11):
        start = time.process_time()
        found = solve_ivp(
            slope, (0, until), begin, method="LSODA", rtol=tolerance, atol=tolerance * 1e-2, max_step=20.0
        ).y[:, -1]
        theirs = time.process_time() - start
        if max(abs(found[1] - exact[1]), abs(found[3] - exact[3])) <= error:
            break
    return {"battery_times_real_time": until / ours, "solver_times_real_time": until / theirs, "against_solver": ours / theirs,
            "error": error, "solver_tolerance": tolerance}  # fmt: skip


def drive(made: Any, amperes: Any, step: float) -> None:
    """The battery's kernel over a whole current in one call, as the plant drives it."""
    from benchrunner.sim.compiled import compiled
    from benchrunner.sim.kernel.battery import step_battery, thevenin
    from benchrunner.sim.layout import S

    def over(x: Any, p: Any, e: Any, table: Any, amperes: Any, dt: float) -> None:
        for k in range(amperes.shape[0]):
            x[S.link_current] = amperes[k]
            source, resistance = thevenin(x, p, table, dt)
            x[S.terminal] = source + resistance * amperes[k]
            step_battery(x, p, e, table, amperes[k], x[S.terminal], dt)

    if not hasattr(drive, "kernel"):
        drive.kernel = compiled(over)  # type: ignore[attr-defined]
    drive.kernel(made._x, made._p, made._e, made._table, amperes, step)  # type: ignore[attr-defined]


def one_pairing(seed: int) -> float:
    """A pairing of its own for ten minutes of bench time; gives its final charge."""
    plant = everything(seed)
    plant.advance(600.0)
    return plant.value("battery.soc")


def over_both_cores() -> dict[str, float]:
    """A thousand pairings on one process and on as many as there are cores; what each core keeps of its speed."""
    cores = os.cpu_count() or 1
    one_pairing(0)
    begin = time.monotonic()
    for seed in range(PAIRINGS // (2 * cores)):
        one_pairing(seed)
    alone = (time.monotonic() - begin) / (PAIRINGS // (2 * cores))
    with multiprocessing.get_context("spawn").Pool(cores) as pool:
        pool.map(one_pairing, range(cores))  # each has loaded what it needs
        begin = time.monotonic()
        pool.map(one_pairing, range(PAIRINGS), chunksize=10)
        together = (time.monotonic() - begin) / PAIRINGS
    return {"pairings": PAIRINGS, "cores": cores, "per_core": alone / (together * cores)}


def a_week() -> dict[str, float]:
    """Memory at the end of each day of a simulated week."""
    plant, found = everything(), []
    for day in range(1, 8):
        while plant.now < day * 86_400.0:
            plant.advance(plant.now + 600.0)
        found.append(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024)
    return {"memory_first_day": found[0], "memory_seventh_day": found[-1]}


def main(hours: float) -> int:
    """Everything, then the JSON line."""
    figures: dict[str, Any] = {}
    for says, part in (
        ("beside C", lambda: beside_c(hours)), ("beside scipy's solver", beside_solver), ("over both cores", over_both_cores),
        ("a simulated week", a_week),
    ):  # fmt: skip
        found = part()
        print(f"{says}:")
        for name, value in found.items():
            print(f"  {name.replace('_', ' '):30} {value:.6g}")
        figures |= {name: float(f"{value:.6g}") for name, value in found.items()}
    print(json.dumps(figures))
    return 0


if __name__ == "__main__":
    sys.exit(main(float(sys.argv[1]) if len(sys.argv) > 1 else 1.0))
