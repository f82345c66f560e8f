"""Owns the open-circuit voltage of a cell over its state of charge, and the table that the kernel reads.

NMC: the table of the Modelica Standard Library's example cell (Modelica.Electrical.Batteries, ExampleData: Li-ion, 4.2 V),
straight lines between its points. Lead-acid: rest voltages of a flooded 12 V block of six cells at 26.7 degC (a table that
battery councils publish; sources differ by some 0.05 V a block), straight lines between. Both in `tests/vectors/battery`.

LFP: passes through the full-cell values of the set "Prada2013" at 0, 10, 25, 75 and 100 % (Prada et al. 2013, as
computed with PyBaMM 26.10.1.1; `tests/vectors/battery`); the points between, with the steep ends that every LFP
cell shows, are from memory. Shape-preserving cubic between the points, straight lines beyond them.
"""

import numpy as np
import numpy.typing as npt

from benchrunner.sim.kept import kept

Array = npt.NDArray[np.float64]

LFP_POINTS: tuple[tuple[float, float], ...] = (
    (0.0, 2.0), (0.01, 2.45), (0.02, 2.64), (0.04, 2.80), (0.07, 2.91), (0.10, 2.978092), (0.15, 3.085),
    (0.20, 3.150), (0.25, 3.185703), (0.35, 3.240), (0.50, 3.275), (0.65, 3.285), (0.75, 3.292575),
    (0.85, 3.310), (0.92, 3.325), (0.95, 3.335), (0.97, 3.350), (0.98, 3.370), (0.99, 3.430), (1.0, 3.600),
)  # fmt: skip
NMC_POINTS: tuple[tuple[float, float], ...] = (
    (0.0, 0.595), (0.01, 0.656), (0.02, 0.688), (0.03, 0.714), (0.04, 0.737), (0.05, 0.744), (0.06, 0.750), (0.07, 0.754),
    (0.08, 0.756), (0.09, 0.758), (0.10, 0.761), (0.15, 0.774), (0.20, 0.786), (0.25, 0.795), (0.30, 0.804), (0.35, 0.811),
    (0.40, 0.818), (0.45, 0.826), (0.50, 0.835), (0.55, 0.843), (0.60, 0.855), (0.65, 0.871), (0.70, 0.888), (0.75, 0.905),
    (0.80, 0.926), (0.85, 0.943), (0.90, 0.964), (0.95, 0.980), (1.00, 1.000),
)  # fmt: skip
NMC_FULL = 4.2  # V
LEAD_POINTS: tuple[tuple[float, float], ...] = (
    (0.0, 11.89), (0.25, 12.06), (0.50, 12.24), (0.75, 12.45), (1.0, 12.65),
)  # fmt: skip
LEAD_CELLS = 6
FIRST, STEP, POINTS = -0.02, 1 / 4000, 4000 + 80 + 240 + 1  # -2 % to 106 % in steps of 0.025 %


def cell_voltage(soc: npt.ArrayLike, chemistry: str = "LFP") -> Array:
    """Open-circuit voltage of one cell, V, for states of charge 0..1 (a little beyond: straight on).

    Raises `ValueError` for a chemistry without a curve.
    """
    s = np.asarray(soc, dtype=float)
    inside = np.clip(s, 0.0, 1.0)
    if chemistry == "LFP":
        from scipy.interpolate import PchipInterpolator

        x, y = np.array(LFP_POINTS).T
        curve = PchipInterpolator(x, y)
        value, ends = curve(inside), (curve.derivative()(0.0), curve.derivative()(1.0))
    elif chemistry in ("NMC", "lead-acid"):
        points, scale = (NMC_POINTS, NMC_FULL) if chemistry == "NMC" else (LEAD_POINTS, 1.0 / LEAD_CELLS)
        x, y = np.array(points).T
        y = y * scale
        value = np.interp(inside, x, y)
        ends = ((y[1] - y[0]) / (x[1] - x[0]), (y[-1] - y[-2]) / (x[-1] - x[-2]))
    else:
        raise ValueError(f"no open-circuit curve for {chemistry!r}; there is one for LFP, NMC and lead-acid")
    return np.asarray(value + np.where(s < 0, *ends) * (s - inside), dtype=float)


def table(cells: int, spread: float, chemistry: str = "LFP") -> Array:
    """Rows pack voltage, one cell's voltage, integral of the pack's voltage over charge, on the grid FIRST, STEP.

    One of the `cells` is `spread` ahead of the mean in charge, one as much behind, and the pack is their sum.
    """
    if chemistry != "LFP":
        cell_voltage(0.5, chemistry)  # says that there is none
    return kept(
        __file__,
        "scipy",
        (cells, spread, chemistry),
        (3, POINTS),
        lambda: _work_out(cells, spread, chemistry),
    )


def _work_out(cells: int, spread: float, chemistry: str) -> Array:
    soc = FIRST + STEP * np.arange(POINTS)
    mean = cell_voltage(soc, chemistry)
    pack = cells * mean
    if cells >= 2:
        pack = (
            (cells - 2) * mean + cell_voltage(soc + spread, chemistry) + cell_voltage(soc - spread, chemistry)
        )
    integral = np.concatenate(([0.0], np.cumsum((pack[1:] + pack[:-1]) / 2) * STEP))
    return np.ascontiguousarray(np.stack([pack, mean, integral]))
