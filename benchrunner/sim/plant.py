"""Owns the plant: a pairing on a bench, moved on in time, told settings, and read at its taps.

It runs on an internal grid of 5 ms (RMS and phasor values). An order given between two points takes effect on the
envelope over the step in which it falls, and its event carries the exact moment. What any tap reads depends only
on the pairing, the start, and the orders with their times, never on who read what before.
"""

import math
from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from benchrunner.errors import Problem, Refused
from benchrunner.sim import open_circuit
from benchrunner.sim.agenda import Agenda
from benchrunner.sim.array import CURVE_POINTS, PvArray
from benchrunner.sim.events import KEYS, NAMES, PlantEvent, Snapshot
from benchrunner.sim.kernel import battery
from benchrunner.sim.kernel import step as kernel
from benchrunner.sim.kernel.charging import reset_shift
from benchrunner.sim.kernel.network import at_terminals, axis
from benchrunner.sim.kernel.pv_inverter import ac_from_array
from benchrunner.sim.layout import (
    EVENT_COLUMNS,
    MODE,
    NET_ROWS,
    PV_MODE,
    PV_MOST,
    STAGE,
    TAPS,
    E,
    N,
    P,
    Q,
    S,
    U,
    V,
    W,
)  # fmt: skip
from benchrunner.sim.parameters import array_of, parameters, pv_parameters
from benchrunner.sim.settings import SETTINGS, checked, setting

if TYPE_CHECKING:
    from benchrunner.cards.pairing import PairingCard

Array = npt.NDArray[np.float64]
STEP = 0.005  # s
RING = 4096  # rows: some 20 s
_CHUNK = 2000  # steps at once, so that events are gathered while their rows are still in the ring
_EVENTS_KEPT = 20_000
_INDEX = {tap: k for k, tap in enumerate(TAPS)}


class Plant:
    """The simulated pairing and its bench.

    `start`: "soc" (0..1, default 0.6), any setting of `SETTINGS`, and "pv_inverter.on" = 1 for a PV inverter that
    has already entered service. Taps: `bus.voltage` is that of phase 1 against neutral, on split-phase that between the
    legs, as the nameplate has it; `*.power` sums the phases, `*.current` is that of the most loaded conductor; `_l1`, `_l2`,
    `_l3` and `_n` name one phase and the neutral; `pv.*` is all PV inverters together, `pv_1.*`, `pv_2.*` one of them.
    As it starts the bench stands on the grid with everything closed, no load and no
    sun, unless `start` says otherwise. `seed` chooses the phase of grid and bus, and each transfer's time within its spread. `step` s is the internal grid.
    Raises `Refused` for a start that the plant does not know.
    """

    taps: tuple[str, ...] = TAPS

    def __init__(
        self,
        pairing: "PairingCard",
        seed: int = 1,
        start: Mapping[str, float] | None = None,
        step: float = STEP,
    ) -> None:
        self.pairing, self.seed, self.step = pairing, seed, step
        self._p = parameters(pairing)
        self._q = pv_parameters(pairing)
        self._arrays = {k: array_of(array) for k, (_, array) in enumerate(pairing.pv_inverters)}
        if pairing.dc_pv is not None:
            self._arrays[PV_MOST] = array_of(pairing.dc_pv.array)
        self._own_arrays = dict(self._arrays)
        self._table = open_circuit.table(
            pairing.battery.cells, pairing.twin.cell_spread, pairing.battery.chemistry
        )
        self._x = np.zeros(len(S._fields))
        self._u = np.zeros(len(U._fields))
        self._e = np.zeros(len(E._fields))
        self._y = np.zeros((PV_MOST, len(V._fields)))
        self._w = np.zeros((PV_MOST + 1, len(W._fields)))
        self._net = np.zeros((NET_ROWS, 3), dtype=np.complex128)
        self._curves = np.zeros((PV_MOST + 1, CURVE_POINTS))
        self._ring = np.zeros((RING, len(TAPS)))
        self._rows = np.zeros((64, EVENT_COLUMNS))
        self._scratch = np.zeros((2, EVENT_COLUMNS))
        self._n = 0  # whole steps done
        self._now = 0.0
        self._open: list[int] = []  # events whose row after is still to come
        self.events: list[PlantEvent] = []
        self._orders: dict[str, float] = {}
        self.loads: list[tuple[float, tuple[float, ...]]] = []
        self.agenda = Agenda()  # orders to come at a time of their own
        self._begin(dict(start or {}))

    # --- time ---

    @property
    def now(self) -> float:
        """Plant seconds, to which it was last advanced."""
        return self._now

    def advance(self, until: float) -> None:
        """Move on to `until` (s), with what the agenda holds till then. A time that has passed already changes nothing."""
        if self.agenda.first <= until:
            for at, name, value in self.agenda.due(until):
                self._move(at)
                self.set(name, value)
        self._move(until)

    def _move(self, until: float) -> None:
        if not until > self._now:
            return
        self._now = until
        last = math.floor(until / self.step + 1e-7)
        while self._n < last:
            self._run(min(_CHUNK, last - self._n))

    def _run(self, steps: int) -> None:
        first = self._n
        count = kernel.run(
            steps, first, self.step, self._x, self._p, self._u, self._e, self._y, self._q, self._w, self._net, self._table,
            self._curves, self._ring, self._rows,
            self._scratch,
        )  # fmt: skip
        self._n += steps
        for k in self._open:
            self.events[k] = self._complete(self.events[k], first)
        self._open.clear()
        for row in self._rows[: min(count, len(self._rows))]:
            self._gather(row)
        if len(self.events) > _EVENTS_KEPT:
            del self.events[: len(self.events) - _EVENTS_KEPT]

    def _gather(self, row: Array) -> None:
        kind, time = int(row[1]), float(row[0])
        data = dict(zip(KEYS[kind], (float(v) for v in row[2:]), strict=False))
        n = min(math.floor(time / self.step + 1e-7), self._n - 1)
        event = PlantEvent(time, NAMES[kind], data, self._row(n), ())
        self.events.append(self._complete(event, n))

    def _complete(self, event: PlantEvent, n: int) -> PlantEvent:
        return PlantEvent(event.t, event.kind, event.data, event.row_before, self._row(n + 1))

    def _row(self, n: int) -> tuple[float, ...]:
        return tuple(self._ring[n % RING].tolist())

    # --- orders ---

    def set(self, name: str, value: float) -> None:
        """Give an order at `now`. Raises `Refused` for an unknown name or a value out of range."""
        value = checked(name, value)
        before = self._orders[name]
        if value == before and not self._uneven(name):
            return
        self._there(name, value)
        resistance = self._resistance()
        self._put(name, value)
        if name.startswith("load."):
            self._note_loads()
        self._announce(name, before, value, resistance)

    def setting(self, name: str) -> float:
        """What a setting was last ordered to be, SI; a switch is 0 or 1. Raises `Refused` for an unknown name."""
        setting(name)
        return self._orders[name]

    def _there(self, name: str, value: float) -> None:
        """Refuse an order to a phase or a PV inverter that this pairing has not."""
        phases, sources = self.pairing.phases, len(self.pairing.pv_inverters)
        missing = (
            (name[-3:] == "_l2" and phases < 2)
            or (name[-3:] == "_l3" and phases < 3)
            or (name == "load.power_l1_l2" and phases != 2)
            or (name.startswith("dc_source.") and PV_MOST not in self._arrays)
            or any(
                name.startswith((f"pv_source_{k}.", f"pv_inverter_{k}."))
                for k in range(sources + 1, PV_MOST + 1)
            )
        )
        if missing and value != 0.0:
            raise Refused(
                Problem(
                    name,
                    f"means nothing to {self.pairing.title}: {self.pairing.topology}, PV inverters: {sources}",
                    "give the order to a phase or source that is there",
                )
            )

    def _note_loads(self) -> None:
        """Keep what the loads were told, and since when: as far back as the ring, and what held before."""
        u = self._u
        told = tuple(u[U.load_l1 : U.load_on + 1].tolist())
        self.loads.append((self._now, told))
        gone = self._now - RING * self.step
        while len(self.loads) > 1 and self.loads[1][0] < gone:
            del self.loads[0]

    def _uneven(self, name: str) -> bool:
        """An order to all phases may change something even where it says the same again."""
        if name not in ("load.power", "grid.voltage"):
            return False
        first = U.load_l1 if name == "load.power" else U.grid_voltage_l1
        return len(set(self._u[first : first + self.pairing.phases].tolist())) > 1

    def _put(self, name: str, value: float) -> None:
        known, u, phases = SETTINGS[name], self._u, self.pairing.phases
        before = self._orders.get(name, 0.0)
        self._orders[name] = value
        role, _, quantity = name.partition(".")
        if name == "load.power":
            u[U.load_l1 : U.load_l1 + 3] = 0.0
            u[U.load_l1 : U.load_l1 + phases] = value / phases
            self._orders |= {f"load.power_l{k + 1}": float(u[U.load_l1 + k]) for k in range(3)}
        elif name == "grid.voltage":
            each = value / float(self._p[P.v_factor])
            u[U.grid_voltage_l1 : U.grid_voltage_l1 + phases] = each
            self._orders |= {f"grid.voltage_l{k + 1}": each for k in range(phases)}
        elif name == "grid.phase":
            jump = (value - before) / math.tau
            self._x[S.phase_grid] += jump
            if self._x[S.mode] == MODE.grid and u[U.grid_closed] > 0.5:
                self._x[S.jump] += jump
        elif known.rows:
            for row in known.rows:
                self._w[row, known.index] = value
                self._see_sun(row)
            if len(known.rows) > 1:
                self._orders |= {f"{role}_{row + 1}.{quantity}": value for row in range(PV_MOST)}
                if role == "pv_source":
                    self._orders[f"dc_source.{quantity}"] = value
        else:
            u[known.index] = value
            if name.startswith("load.power_l") and name != "load.power_l1_l2":
                self._orders["load.power"] = float(u[U.load_l1 : U.load_l1 + 3].sum())

    def _announce(self, name: str, before: float, value: float, resistance: float) -> None:
        kind, data = "setting", {"before": before, "after": value}
        last = self._ring[self._n % RING]
        voltage, frequency = float(last[_INDEX["grid.voltage"]]), float(last[_INDEX["grid.frequency"]])
        if name.startswith("load."):
            kind = "load-step"
            base = self._base()
            after = self._resistance()
            data = {
                "resistance_before": resistance,
                "resistance_after": after,
                "power_before": base / resistance,
                "power_after": base / after,
            }
        elif name == "grid.closed" and value == 0.0:
            kind = "grid-lost"
            data = {
                "voltage": voltage,
                "frequency": frequency,
                "current": float(last[_INDEX["grid.current"]]),
            }
        elif name == "grid.closed":
            kind = "grid-back"
            data = {
                "voltage": float(self._u[U.grid_voltage_l1] * self._p[P.v_factor]),
                "frequency": float(self._x[S.f_grid]),
            }
        elif name.startswith("relays."):
            which = ("relays.pv_contactor", "relays.battery_contactor", "relays.inverter_enable").index(name)
            kind, data = "contactor", {"which": float(which), "closed": value}
        if name.startswith("grid.") and kind != "grid-back":
            self._x[S.lost_at] = self._now
        self._open.append(len(self.events))
        self.events.append(PlantEvent(self._now, kind, data, self._row(self._n), ()))

    def _base(self) -> float:
        """Power at nominal voltage times the resistance that takes it, V^2: over all phases, between split-phase's legs."""
        return float(self._p[P.v_nominal] ** 2 * {1: 1.0, 2: 4.0, 3: 3.0}[self.pairing.phases])

    def _resistance(self) -> float:
        u = self._u
        load = float(u[U.load_l1 : U.load_between + 1].sum() + u[U.load_constant : U.load_motor + 1].sum())
        load *= float(u[U.load_on])
        return self._base() / load if load > 0.0 else math.inf

    def own_array(self, row: int) -> PvArray | None:
        """The array that the pairing has in this row, if any."""
        return self._own_arrays.get(row)

    def fit_array(self, row: int, array: PvArray | None) -> None:
        """Another array instead, as a PV-array simulator is told its curve; None: the pairing's own again."""
        if row in self._own_arrays:
            self._arrays[row] = array or self._own_arrays[row]
            self._see_sun(row)

    def _see_sun(self, row: int) -> None:
        """Work out what the array of a PV inverter gives under its irradiance and temperature."""
        if row not in self._arrays:
            return
        w = self._w[row]
        power, curve = self._arrays[row].curve(float(w[W.irradiance]), float(w[W.temperature]))
        if w[W.on] < 0.5:
            power, curve = 0.0, np.zeros_like(curve)
        w[W.p_array] = power
        self._curves[row] = curve

    # --- values ---

    def value(self, tap: str) -> float:
        """The tap at the last point of the internal grid."""
        return float(self._ring[self._n % RING, _INDEX[tap]])

    def values(self) -> dict[str, float]:
        """All taps at the last point of the internal grid."""
        return dict(zip(TAPS, self._row(self._n), strict=True))

    def tap_indices(self, taps: Iterable[str]) -> npt.NDArray[np.int64]:
        """Indices for `window_mean`. Raises `KeyError` for a tap that there is not."""
        return np.array([_INDEX[tap] for tap in taps], dtype=np.int64)

    def window_mean(self, tap_indices: npt.NDArray[np.int64], t_from: float, t_to: float) -> Array:
        """Mean of each tap over the grid points in (t_from, t_to], at least the last one at or before `t_to`.

        Reaches back `RING` steps (20 s); an earlier `t_from` is cut there.
        """
        first, last = self.window(t_from, t_to)
        out = np.empty(len(tap_indices))
        kernel.mean_rows(self._ring, first, last, tap_indices, out)
        return out

    @property
    def ring(self) -> Array:
        """The rows of the last steps: step n lies at n modulo their number. For kernels that read many taps at once."""
        return self._ring

    def window(self, t_from: float, t_to: float) -> tuple[int, int]:
        """First and last step of the window that `window_mean` takes."""
        last = min(math.floor(t_to / self.step + 1e-7), self._n)
        first = max(min(math.floor(t_from / self.step + 1e-7) + 1, last), self._n - RING + 1, 0)
        return first, max(last, first)

    def rows(self, t_from: float, t_to: float) -> tuple[Array, Array]:
        """Times (s) and rows (points x taps) of the internal grid in [t_from, t_to], as far as the ring reaches."""
        first = max(math.ceil(t_from / self.step - 1e-7), self._n - RING + 1, 0)
        last = min(math.floor(t_to / self.step + 1e-7), self._n)
        n = np.arange(first, last + 1)
        return np.asarray(n * self.step, dtype=np.float64), self._ring[n % RING].copy()

    def snapshot_at(self, t: float) -> Snapshot:
        """All taps just before and after `t`, while it is still in the ring; of an event's own time: the event's.

        Raises `LookupError` for a time outside the ring.
        """
        for event in reversed(self.events):
            if event.t == t and event.row_after:
                n = math.floor(t / self.step + 1e-7)
                return Snapshot(n * self.step, (n + 1) * self.step, event.before, event.after)
            if event.t < t:
                break
        n = math.floor(t / self.step + 1e-7)
        if not max(0, self._n - RING + 1) <= n < self._n:
            raise LookupError(f"{t:g} s is not within the last {RING * self.step:g} s before {self._now:g} s")
        before, after = self._row(n), self._row(n + 1)
        return Snapshot(
            n * self.step,
            (n + 1) * self.step,
            dict(zip(TAPS, before, strict=True)),
            dict(zip(TAPS, after, strict=True)),
        )

    def energies(self) -> dict[str, float]:
        """Energies since the start, J: what crossed each boundary, what was lost where, and what is stored now.

        `stored` is taken from the states alone (chemistry, branches, DC link), less its value at the start.
        """
        found = {name: float(self._e[index]) for name, index in E._asdict().items()}
        found["stored"] = self._stored() - self._stored_first
        found["lost"] = sum(value for name, value in found.items() if name.startswith("lost_"))
        found["put_in"] = found["grid_source"] + found["array"] + found["dc_array"]
        return found

    def _stored(self) -> float:
        link = 0.5 * float(self._p[P.link_capacitance]) * float(self._x[S.link]) ** 2
        return float(battery.stored(self._x, self._p, self._table)) + link

    # --- start ---

    def _begin(self, start: dict[str, float]) -> None:
        x, u, p, w = self._x, self._u, self._p, self._w
        soc = float(start.pop("soc", 0.6))
        pv_on = float(start.pop("pv_inverter.on", 0.0)) >= 0.5
        problems = [
            Problem(
                name, "is nothing that the plant can start with", f"soc, or one of: {', '.join(SETTINGS)}"
            )
            for name in start
            if name not in SETTINGS
        ]
        if not 0.0 <= soc <= 1.0:
            problems.append(Problem("soc", f"{soc:g} is no state of charge", "give 0 to 1"))
        if problems:
            raise Refused(problems)
        twin, leg = self.pairing.twin, float(p[P.v_nominal])
        nominal = {
            "grid.voltage": leg * float(p[P.v_factor]), "grid.frequency": float(p[P.f_nominal]),
            **{f"grid.voltage_l{k + 1}": leg if k < self.pairing.phases else 0.0 for k in range(3)},
            "grid.resistance": twin.grid_resistance, "grid.reactance": twin.grid_reactance,
        }  # fmt: skip
        w[:, W.temperature] = 298.15
        for name, known in SETTINGS.items():
            if len(known.rows) != 1:
                self._put(name, nominal[name] if known.start is None else known.start)
        for name in sorted(start, key=lambda name: name.count("_")):  # `pv_source_2.x` after `pv_source.x`
            value = checked(name, start[name])
            self._there(name, value)
            self._put(name, value)
        self._note_loads()
        x[S.f_grid] = u[U.grid_frequency]
        x[S.soc] = soc
        x[S.soc_estimate] = min(1.0, max(0.0, soc + self.pairing.twin.soc_error))
        x[S.charge_limit] = p[P.charge_current_limit]
        x[S.discharge_limit] = p[P.over_current]
        x[S.cell_temperature] = p[P.ambient]
        x[S.protection_closed] = 1.0
        x[S.lost_at] = -1.0
        x[S.draw] = 1 + (self.seed * 2654435761 + 12345) % 2147483645
        terminal, _ = battery.look_up(self._table, battery.OCV, p[P.soc_first], p[P.soc_step], soc)
        joined = u[U.battery_contactor] > 0.5
        x[S.terminal] = terminal
        x[S.link] = terminal if joined else 0.0
        x[S.m_voltage] = x[S.link]
        x[S.frequency] = x[S.f_bus] = x[S.f_seen] = x[S.m_frequency] = p[P.f_nominal]
        x[S.slip] = 1.0
        x[S.v_reference] = p[P.v_nominal]
        x[S.stage] = STAGE.none
        x[S.u_least] = -1.0 - p[P.dc_present]
        x[S.dc_own] = 1.0
        reset_shift(x)
        if joined and u[U.inverter_enable] > 0.5:
            on_grid = u[U.grid_closed] > 0.5
            x[S.mode] = MODE.grid if on_grid else MODE.island
            x[S.relay] = 1.0 if on_grid else 0.0
            x[S.stage] = STAGE.bulk
            for k in range(self.pairing.phases):
                v = float(u[U.grid_voltage_l1 + k] if on_grid else p[P.v_nominal])
                self._net[N.v, k] = v * axis(self.pairing.phases, k)
            x[S.v_bus] = x[S.v_low] = x[S.v_high] = abs(self._net[N.v, 0])
            x[S.f_bus] = u[U.grid_frequency] if on_grid else p[P.f_nominal]
            x[S.f_seen] = x[S.m_frequency] = x[S.f_bus]
        else:
            x[S.mode] = MODE.off
            x[S.f_bus] = x[S.f_seen] = 0.0
        for y, q, sun in zip(self._y, self._q, w, strict=False):
            y[V.v] = at_terminals(q, u, self._net, self.pairing.phases)[0]
            y[V.f] = y[V.f_late] = p[P.f_nominal]
            y[V.recovery] = y[V.limit] = y[V.lowest] = y[V.volt_limit] = 1.0
            if pv_on and sun[W.p_array] > q[Q.wake] and u[U.pv_contactor] > 0.5 and x[S.v_bus] > 0.0:
                y[V.mode] = PV_MODE.on
                y[V.ramp] = 1.0
                y[V.available] = min(float(ac_from_array(q, float(sun[W.p_array]))), float(q[Q.rated]))
        phase = np.random.Generator(np.random.Philox(key=[self.seed & 0xFFFFFFFF, 0x9A])).random(2)
        x[S.phase_grid] = phase[0]
        x[S.phase_bus] = phase[0] if x[S.relay] > 0.5 else phase[1]
        self._stored_first = self._stored()
        kernel.write_row(x, p, u, self._y, self._q, self._net, self._table, self._ring[0])

    def states(self) -> dict[str, float]:
        """Every internal state by name; for tests and for understanding, not for instruments."""
        found = {name: float(self._x[index]) for name, index in S._asdict().items()}
        for k in range(len(self.pairing.pv_inverters)):
            found |= {f"pv_{k + 1}.{name}": float(self._y[k, index]) for name, index in V._asdict().items()}
        return found
