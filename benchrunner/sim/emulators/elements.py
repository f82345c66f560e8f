"""Wiring of a simulated power analyser's elements that is not what its card says: options, and what they then read.

`element_2_reversed = true`: the clamp of element 2 the other way round; `element_2_factor = 2.0`: its current ratio wrong by
that; `element_1_clamp = "l2"` and `element_1_leads = "l2"`: its clamp, its voltage lead on that leg or phase of its circuit;
`analyser_on = "pv"`: all elements on another circuit. Angles between legs are taken as nominal.
"""

import math
from collections.abc import Iterable, Iterator
from dataclasses import replace

import numpy as np

from benchrunner.errors import Problem, Refused
from benchrunner.sim.emulators.metering import Crossed, Plant
from benchrunner.sim.emulators.options import Options, QuantityOptions

LEGS = ("l1", "l2", "l3")
CIRCUITS = {"grid": "grid", "pv": "pv", "battery_inverter": "bus"}  # and whose voltage stands at it
ELEMENTS = 6
Own = dict[str, str | float | bool]


def miswired_elements(
    own: Own, channels: dict[str, str], quantities: dict[str, QuantityOptions], where: str
) -> Own:
    """The options with the taps that each element then reads; changes `quantities`. Raises `Refused`."""
    taps: Own = {}
    moved = own.get("analyser_on")
    if moved is not None and moved not in CIRCUITS:
        mend = f"circuits: {', '.join(CIRCUITS)}"
        raise Refused(Problem(where, f"analyser_on = {moved!r} is no circuit with elements", mend))
    for n in range(1, ELEMENTS + 1):
        circuit, _, leg = channels.get(f"power_{n}", "").rpartition(".power_")
        if not circuit or leg not in LEGS:
            continue
        circuit = str(moved or circuit)
        clamp, leads = (_leg(own, f"element_{n}_{part}", leg, where) for part in ("clamp", "leads"))
        if moved is not None or clamp != leg or leads != leg:
            taps[f"current_{n}_tap"] = f"{circuit}.current_{clamp}"
            taps[f"power_{n}_tap"] = f"{circuit}.power_{clamp}"
            taps[f"voltage_{n}_tap"] = f"{CIRCUITS.get(circuit, circuit)}.voltage_{leads}"
            taps[f"frequency_{n}_tap"] = f"{CIRCUITS.get(circuit, circuit)}.frequency"
        factor = own.get(f"element_{n}_factor", 1.0)
        if isinstance(factor, bool) or not isinstance(factor, (int, float)) or not 1e-6 <= factor <= 1e6:
            raise Refused(Problem(where, f"element_{n}_factor is no ratio", "give a number such as 2.0"))
        turned = -1.0 if own.get(f"element_{n}_reversed") is True else 1.0
        for quantity, by in ((f"current_{n}", factor), (f"power_{n}", factor * turned)):
            if quantity in quantities:
                quantities[quantity] = replace(quantities[quantity], factor=quantities[quantity].factor * by)
    return {**own, **taps}


def _leg(own: Own, option: str, otherwise: str, where: str) -> str:
    leg = str(own.get(option, otherwise))
    if leg not in LEGS:
        raise Refused(
            Problem(where, f"{option} = {leg!r} is no leg or phase", f"there are: {', '.join(LEGS)}")
        )
    return leg


def crossed_elements(plant: Plant, options: Options, shown: Iterable[str]) -> Iterator[Crossed]:
    """The elements whose clamp and voltage lead sit on different conductors."""
    places, order = {tap: place for place, tap in enumerate(plant.taps)}, list(shown)
    pairing = getattr(plant, "pairing", None)
    phases = int(getattr(pairing, "phases", 3))
    for n in range(1, ELEMENTS + 1):
        power, voltage = (str(options.own.get(f"{q}_{n}_tap", "")) for q in ("power", "voltage"))
        clamp, leads = power[-2:], voltage[-2:]
        if f"power_{n}" not in order or clamp == leads or not {clamp, leads} <= set(LEGS):
            continue
        circuit = power.rpartition(".")[0]
        names = (f"{voltage.rpartition('_')[0]}_{clamp}", f"{circuit}.reactive_power")
        # phases 2 and 3 lag and lead phase 1 by a third of a cycle; the legs of split-phase are half a cycle apart
        turn = math.pi if phases == 2 else math.tau / 3.0
        angles = {"l1": 0.0, "l2": -turn, "l3": turn}
        angle = angles[leads] - angles[clamp]
        taps = np.array([places[name] for name in names], dtype=np.int64)
        yield Crossed(
            order.index(f"power_{n}"),
            order.index(f"voltage_{n}"),
            taps,
            math.cos(angle),
            math.sin(angle),
            phases,
        )
