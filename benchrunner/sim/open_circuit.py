"""Owns the open-circuit voltage of a cell over its state of charge, and the table that the kernel reads.

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
FIRST, STEP, POINTS = -0.02, 1 / 4000, 4000 + 80 + 240 + 1  # -2 % to 106 % in steps of 0.025 %


def cell_voltage(soc: npt.ArrayLike, chemistry: str = "LFP") -> Array:
    """Open-circuit voltage of one cell, V, for states of charge 0..1 (a little beyond: straight on).

    Raises `ValueError` for a chemistry without a curve.
    """
    from scipy.interpolate import PchipInterpolator

    if chemistry != "LFP":
        raise ValueError(f"no open-circuit curve for {chemistry!r}; there is one for LFP")
    x, y = np.array(LFP_POINTS).T
    curve = PchipInterpolator(x, y)
    s = np.asarray(soc, dtype=float)
    inside = np.clip(s, 0.0, 1.0)
    slope = np.where(s < 0, curve.derivative()(0.0), curve.derivative()(1.0))
    return np.asarray(curve(inside) + slope * (s - inside), dtype=float)


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
