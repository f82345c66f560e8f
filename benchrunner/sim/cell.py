"""Owns `Battery`: the plant's battery by itself, under a current of the caller's choosing."""

from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from benchrunner.sim import open_circuit
from benchrunner.sim.battery_parameters import battery_parameters
from benchrunner.sim.kernel import battery as kernel
from benchrunner.sim.layout import E, P, S

if TYPE_CHECKING:
    from benchrunner.cards.pairing import PairingCard

Array = npt.NDArray[np.float64]


class Battery:
    """A pack as the plant carries it: open-circuit voltage, series resistance and two RC branches (Thevenin).

    Built from numbers it has the same resistances at every temperature and charge, no hysteresis and keeps all charge;
    `of` takes a pairing card's battery with all that is usual for its chemistry. `capacity` C, resistances ohm and times
    s of the whole pack at 25 degC; currents A, positive charging; voltages V; state of charge 0..1.
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
        values = {
            "cells": cells, "capacity": capacity, "cell_spread": spread, "r0": series_resistance,
            "r1": fast[0], "c1": fast[1] / fast[0], "r2": slow[0], "c2": slow[1] / slow[0],
            "heat_capacity": 60e3, "thermal_time": 18_000.0, "ambient": 298.15, "estimate_gain": 1.0,
            "soc_first": open_circuit.FIRST, "soc_step": open_circuit.STEP,
        }  # fmt: skip
        self._set(values, soc, open_circuit.table(cells, spread, chemistry))

    def _set(self, values: dict[str, float], soc: float, table: Array) -> None:
        if not 0.0 <= soc <= 1.0:
            raise ValueError("soc lies between 0 and 1")
        self._table = table
        self._x, self._p, self._e = (
            np.zeros(len(S._fields)),
            np.zeros(len(P._fields)),
            np.zeros(len(E._fields)),
        )
        places = P._asdict()
        for name, value in values.items():
            self._p[places[name]] = value
        self._x[S.soc] = self._x[S.soc_estimate] = soc
        self._x[S.cell_temperature] = values["ambient"]
        self._x[S.terminal] = self.open_circuit_voltage()

    @classmethod
    def of(cls, pairing: "PairingCard", soc: float = 0.5) -> "Battery":
        """The battery of a pairing card."""
        c = pairing.battery
        made = cls.__new__(cls)
        table = open_circuit.table(c.cells, pairing.twin.cell_spread, c.chemistry)
        made._set(battery_parameters(pairing), soc, table)
        return made

    @property
    def soc(self) -> float:
        """State of charge, 0..1."""
        return float(self._x[S.soc])

    @property
    def temperature(self) -> float:
        """Of the cells, K."""
        return float(self._x[S.cell_temperature])

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
        x, p = self._x, self._p
        held, x[S.link_current] = float(x[S.link_current]), current
        series, _, _, full = kernel.resistances(x, p)
        deep = 1.0 - (1.0 - self.soc) * float(kernel.deepening(x, p))
        x[S.link_current] = held
        branches = float(x[S.v_rc1] + x[S.v_rc2] + p[P.hysteresis] * x[S.hysteresis])
        if full > 0.0:
            branches += float(x[S.v_full])
        return (
            self.open_circuit_voltage(deep) + branches + float(series) * (current - float(x[S.side_current]))
        )

    def run(self, current: npt.ArrayLike, step: float = 0.1) -> Array:
        """Drive `current` (A, one value per `step` seconds, constant in between) through it.

        Returns the terminal voltage at the end of each step, still under that step's current.
        """
        amperes = np.atleast_1d(np.asarray(current, dtype=float))
        volts = np.empty(amperes.size)
        x = self._x
        for k, value in enumerate(amperes):
            x[S.link_current] = value  # what the plant holds from the step before
            source, resistance = kernel.thevenin(x, self._p, self._table, step)
            x[S.terminal] = source + resistance * value
            kernel.step_battery(x, self._p, self._e, self._table, float(value), float(x[S.terminal]), step)
            volts[k] = self.voltage(float(value))
        return volts
