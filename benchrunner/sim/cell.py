"""Owns `Battery`: the plant's battery by itself, under a current of the caller's choosing."""

from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from benchrunner.sim import open_circuit
from benchrunner.sim.kernel import battery as kernel
from benchrunner.sim.layout import E, P, S

if TYPE_CHECKING:
    from benchrunner.cards.pairing import PairingCard

Array = npt.NDArray[np.float64]


class Battery:
    """An LFP pack as the plant carries it: open-circuit voltage, series resistance and two RC branches (Thevenin).

    `capacity` C, resistances ohm and times s of the whole pack; currents A, positive charging; voltages V. State of
    charge 0..1; valid at constant temperature, without hysteresis and with a charge efficiency of 1.
    """

    def __init__(
        self,
        cells: int = 16,
        capacity: float = 720_000.0,
        series_resistance: float = 0.012,
        fast: tuple[float, float] = (0.008, 30.0),
        slow: tuple[float, float] = (0.012, 600.0),
        soc: float = 0.5,
        spread: float = 0.0,
        chemistry: str = "LFP",
    ) -> None:
        if not 0.0 <= soc <= 1.0:
            raise ValueError("soc lies between 0 and 1")
        self._table = open_circuit.table(cells, spread, chemistry)
        self._x, self._p, self._e = (
            np.zeros(len(S._fields)),
            np.zeros(len(P._fields)),
            np.zeros(len(E._fields)),
        )
        x, p = self._x, self._p
        x[S.soc], x[S.cell_temperature] = soc, 298.15
        p[P.cells], p[P.capacity], p[P.cell_spread] = cells, capacity, spread
        p[P.r0] = series_resistance
        p[P.r1], p[P.c1] = fast[0], fast[1] / fast[0]
        p[P.r2], p[P.c2] = slow[0], slow[1] / slow[0]
        p[P.heat_capacity], p[P.thermal_time], p[P.ambient] = 60e3, 18_000.0, 298.15
        p[P.soc_first], p[P.soc_step] = open_circuit.FIRST, open_circuit.STEP

    @classmethod
    def of(cls, pairing: "PairingCard", soc: float = 0.5) -> "Battery":
        """The battery of a pairing card."""
        c, t = pairing.battery, pairing.twin
        return cls(
            c.cells,
            c.capacity,
            t.series_resistance,
            (t.fast_resistance, t.fast_time),
            (t.slow_resistance, t.slow_time),
            soc,
            t.cell_spread,
            c.chemistry,
        )

    @property
    def soc(self) -> float:
        """State of charge, 0..1."""
        return float(self._x[S.soc])

    @property
    def stored(self) -> float:
        """Energy in chemistry and branches, J, from an arbitrary zero."""
        return float(kernel.stored(self._x, self._p, self._table))

    @property
    def lost(self) -> float:
        """Energy turned to heat since the start, J."""
        return float(self._e[E.lost_battery])

    def open_circuit_voltage(self, soc: float | None = None) -> float:
        """Of the pack, V, at `soc` or at the present state of charge."""
        p = self._p
        at = self.soc if soc is None else float(soc)
        return float(kernel.look_up(self._table, kernel.OCV, p[P.soc_first], p[P.soc_step], at)[0])

    def voltage(self, current: float = 0.0) -> float:
        """Terminal voltage under `current` at this instant, V."""
        branches = float(self._x[S.v_rc1] + self._x[S.v_rc2])
        return self.open_circuit_voltage() + branches + float(self._p[P.r0]) * current

    def run(self, current: npt.ArrayLike, step: float = 0.1) -> Array:
        """Drive `current` (A, one value per `step` seconds, constant in between) through it.

        Returns the terminal voltage at the end of each step, still under that step's current.
        """
        amperes = np.atleast_1d(np.asarray(current, dtype=float))
        volts = np.empty(amperes.size)
        for k, value in enumerate(amperes):
            kernel.step_battery(self._x, self._p, self._e, float(value), step)
            volts[k] = self.voltage(float(value))
        return volts
