"""The PV inverter alone on a bus that is prescribed: curves, response time, trips, enter service, latching."""

import math
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import numpy as np

from benchrunner import data
from benchrunner.sim.curves import FrequencyCurve, frequency_power
from benchrunner.sim.kernel.pv_inverter import control_pv
from benchrunner.sim.layout import KIND, PV_MODE, Q, V, W
from benchrunner.sim.parameters import pv_parameters
from benchrunner.sim.validation.rows import Row, Table, library, published

if TYPE_CHECKING:
    from benchrunner.cards.pairing import PairingCard

STEP = 0.005


def table() -> Table:
    """All rows."""
    rows = [*curves(), *on_the_curve(), *response(), *trips(), *enters(), *latches(), *islanded()]
    left_out = []
    if library("control") is None:
        left_out.append("python-control (not installed: pip install 'benchrunner[dev]')")
    else:
        rows += against_control()
    says = (
        "It sees voltage and frequency at its terminals, through measuring windows. Clearing times count from the crossing of the"
        " *measured* value. What it does to find out that nobody forms the bus is a drift of such a bus at a rate from the pairing card, not a model"
        " of a method: the rows of TR-17 show that every PV inverter then leaves in time, not that a method of its own would."
    )
    return Table("PV inverter", says, tuple(rows), tuple(left_out))


def card(**over: Any) -> "PairingCard":
    """The sound pairing with another setting of its PV inverter."""
    from benchrunner.cards.pairing import read_pairing

    read = read_pairing(data.find("tarn6-corrie5", "resources", "pairings"))
    return read.model_copy(update={"pv_inverter": read.pv_inverter.model_copy(update=over)})


def american_droop(response_time: float) -> "PairingCard":
    """IEEE 1547-2018, table 24: dead band 36 mHz, 5 % droop, with trips far away."""
    return card(
        profile="grid", grid_start=60.036, grid_zero=63.036, grid_trip=65.0, trip_low=40.0, reference="droop",
        response_time=response_time,
    )  # fmt: skip


class Alone:
    """One PV inverter on a bus whose voltage and frequency are prescribed. Everything happens in steps of 5 ms."""

    def __init__(
        self, pairing: "PairingCard", nominal: float, on: bool = True, sun: float = 7000.0, **twin: float
    ) -> None:
        twin = {"frequency_delay": 0.0, "frequency_window": 0.005, "voltage_window": 0.005, **twin}
        pairing = pairing.model_copy(update={"twin": pairing.twin.model_copy(update=twin)})
        self.q = pv_parameters(pairing)[0]
        self.y, self.w, self.event = np.zeros(len(V._fields)), np.zeros(len(W._fields)), np.zeros(6)
        self.w[W.p_array], self.time = sun, 0.0
        self.events: list[tuple[float, int, float]] = []  # when, kind, cause
        y = self.y
        y[V.recovery] = y[V.limit] = y[V.lowest] = y[V.volt_limit] = 1.0
        y[V.v], y[V.f], y[V.f_late] = self.q[Q.v_rated], nominal, nominal
        if on:
            y[V.mode], y[V.ramp], y[V.available] = PV_MODE.on, 1.0, min(sun, self.q[Q.rated])

    def set_bus(self, frequency: float, volts: float) -> "Alone":
        """Let it have measured this for long (volts per unit)."""
        self.y[V.f] = self.y[V.f_late] = frequency
        self.y[V.v] = volts * self.q[Q.v_rated]
        return self

    def hold(self, seconds: float, frequency: float = 50.0, volts: float = 1.0) -> "Alone":
        """Hold frequency and voltage (per unit)."""
        voltage = volts * self.q[Q.v_rated]
        for _ in range(round(seconds / STEP)):
            if control_pv(
                self.y, self.q, self.w, self.event, frequency, frequency, voltage, voltage, voltage, STEP
            ):
                self.events.append((self.time, int(self.event[1]), float(self.event[2])))
            self.y[V.power] = self.y[V.current] * self.q[Q.phases] * voltage
            self.y[V.reactive_power] = self.y[V.reactive_current] * self.q[Q.phases] * voltage
            self.time += STEP
        return self

    @property
    def tripped_at(self) -> float:
        """When it first tripped, s; NaN: never."""
        return next((time for time, kind, _ in self.events if kind == KIND.pv_trip), math.nan)

    @property
    def share(self) -> float:
        """Power per unit of rated power."""
        return float(self.y[V.power] / self.q[Q.rated])


def curves() -> Iterator[Row]:
    droop = FrequencyCurve.droop
    for name in ("FW-05", "FW-06", "FW-07", "FW-10", "FW-30"):
        case = published()[name]
        given = case["input"]
        curve = droop(
            k=given.get("k", given.get("kOF", 0.05)), dead_band=given.get("db_Hz", given.get("dbOF", 0.036))
        )
        ours = float(frequency_power(curve, given["f_Hz"], given["p_pre"]))
        yield Row(
            f"{name}: {given['f_Hz']} Hz from {given['p_pre']} pu",
            ours,
            case["expected"],
            1e-6,
            "pu",
            case["source"],
        )
    for name in ("FW-18", "FW-19", "FW-20"):
        case = published()[name]
        ours = float(frequency_power(FrequencyCurve.gradient(), case["input"]["f_Hz"]))
        yield Row(f"{name}: {case['input']['f_Hz']} Hz", ours, case["expected"], 1e-6, "pu", case["source"])
    for name in ("FW-25", "FW-26"):
        case = published()[name]
        curve = FrequencyCurve(50.25, 52.0, "power at crossing")
        ours = float(frequency_power(curve, case["input"]["f_Hz"]))
        yield Row(f"{name}: {case['input']['f_Hz']} Hz", ours, case["expected"], 1e-6, "pu", case["source"])


def on_the_curve() -> Iterator[Row]:
    """The kernel's own steady power, after its response time."""
    droop = american_droop(response_time=0.3)
    for name in ("FW-05", "FW-06", "FW-07"):
        case = published()[name]
        alone = Alone(droop, 60.0).hold(2.0, 60.0).hold(8.0, case["input"]["f_Hz"])
        yield Row(f"{name}: as the plant settles", alone.share, case["expected"], 1e-3, "pu", case["source"])


def response() -> Iterator[Row]:
    """IEEE 1547-2018, 3.1: 90 % of the final change after the response time; FW-14: a first-order lag in between."""
    case = published()["FW-14"]
    pairing = american_droop(response_time=5.0)
    alone = Alone(pairing, 60.0).hold(2.0, 60.0)
    begin = alone.time
    final = 1.0 - 0.321333
    found = math.nan
    while alone.time - begin < 12.0:
        alone.hold(STEP, 61.0)
        if math.isnan(found) and 1.0 - alone.share >= 0.9 * (1.0 - final):
            found = alone.time - begin
        if abs(alone.time - begin - 2.0) < STEP / 2:
            yield Row(
                "FW-14: power 2 s after a step to 61 Hz, 5 s response",
                alone.share,
                case["expected"],
                3e-3,
                "pu",
                case["source"],
            )
    yield Row(
        "step to 61 Hz: 90 % of the change after",
        found,
        5.0,
        0.05,
        "s",
        "IEEE 1547-2018, 3.1: open-loop response time 5 s",
    )


def against_control() -> Iterator[Row]:
    """The response as a transfer function: measuring window, then the lag, by python-control."""
    import control

    pairing = card(response_time=1.0, trip_delay=30.0)
    alone = Alone(pairing, 50.0, frequency_window=0.1).hold(2.0, 50.0)
    lag = float(alone.q[Q.time])
    times = np.arange(0.0, 4.0, STEP)
    ours = []
    for _ in times:
        ours.append(alone.y[V.limit])
        alone.hold(STEP, 51.2)
    # the curve is a straight line there, so that power follows the measured frequency linearly once it is past the start
    allowed = np.array([1.0 - max(0.0, 1.2 * (1 - math.exp(-t / 0.1)) - 0.7) for t in times])
    driven = control.forced_response(control.tf([1], [lag, 1]), times, 1.0 - allowed).outputs
    source = f"python-control {control.__version__}, forced response of the same lag"
    for at in (0.2, 0.5, 1.0, 2.0, 3.5):
        k = round(at / STEP)
        yield Row(
            f"step to 51.2 Hz on the island profile: {at:g} s",
            float(ours[k]),
            1.0 - float(driven[k]),
            6e-3,
            "pu",
            source,
        )


def trips() -> Iterator[Row]:
    from benchrunner.cards.pairing_parts import FurtherTrips

    v, f = published()["TR-03"]["expected"], published()["TR-04"]["expected"]
    pairing = card(
        profile="grid", responds=False, trip_voltage_high=v["OV1"][0] * 230, trip_voltage_high_delay=v["OV1"][1],
        trip_voltage_low=v["UV1"][0] * 230, trip_voltage_low_delay=v["UV1"][1], grid_trip=f["OF1"][0], trip_delay=f["OF1"][1],
        trip_low=f["UF1"][0], trip_low_delay=f["UF1"][1],
        further_trips=FurtherTrips.model_construct(
            frequency_high=f["OF2"][0], frequency_high_delay=f["OF2"][1], frequency_low=f["UF2"][0], frequency_low_delay=f["UF2"][1],
            voltage_high=v["OV2"][0] * 230, voltage_high_delay=v["OV2"][1], voltage_low=v["UV2"][0] * 230, voltage_low_delay=v["UV2"][1],
        ),
    )  # fmt: skip
    for name, (level, seconds) in {**v, **f}.items():
        beyond = 0.01 if name.startswith("O") else -0.01
        alone = Alone(pairing, 60.0).hold(1.0, 60.0)
        if name in v:
            alone.hold(seconds + 1.0, 60.0, level + beyond)
        else:
            alone.hold(seconds + 1.0, level + 10 * beyond)
        source = f"IEEE 1547-2018, table {'13' if name in v else '18'} (category III), as published"
        yield Row(f"{name}: clears after", alone.tripped_at - 1.0, seconds, 0.05, "s", source)


def enters() -> Iterator[Row]:
    e = published()["TR-12"]["expected"]
    pairing = card(
        enter_service_voltage=(e["V_pu"][0] * 230, e["V_pu"][1] * 230), enter_service_frequency=tuple(e["f_Hz"]),
        enter_service_delay=e["delay_s"], ramp_time=e["ramp_s"], island_trip=63.0, island_start=61.0, island_zero=62.5,
    )  # fmt: skip
    case = published()["TR-13"]
    for given, expected in zip(case["input"], case["expected"], strict=True):
        alone = Alone(pairing, 60.0, on=False)
        alone.set_bus(given["f"], given["V"]).hold(min(given["t_s"], 400.0), given["f"], given["V"])
        where = f"TR-13: {given['V']} pu, {given['f']} Hz for {given['t_s']:g} s: enters service"
        yield Row(
            where, float(alone.y[V.mode] == PV_MODE.on), float(expected), 0.0, "yes = 1", case["source"]
        )
    case = published()["TR-14"]
    alone = Alone(pairing, 60.0, on=False).hold(300.01, 60.0)
    for before, at, expected in zip(
        [0, *case["input"]["t_s"]], case["input"]["t_s"], case["expected"], strict=False
    ):
        alone.hold(at - before, 60.0)
        yield Row(f"TR-14: {at:g} s after entering", alone.share, expected, 2e-3, "pu", case["source"])


def islanded() -> Iterator[Row]:
    """Left alone with loads that take just what it feeds, in the island of which the battery inverter then lets go."""
    from benchrunner.cards.pairing import read_pairing
    from benchrunner.sim.simulation import simulate

    most, shares = published()["TR-17"]["expected"], published()["TR-18"]["expected"]
    for name, load in (("tarn6-corrie5", 1.0), ("dune9-spit7", 1.2), ("fell15-ridge12", 2.4)):
        pairing = read_pairing(data.find(name, "resources", "pairings"))
        inverter, twin = pairing.pv_inverter, pairing.twin
        for share in (shares["A"][1], shares["B"][1], shares["C"][1]):
            start = {
                "soc": 0.6, "grid.closed": 0, "pv_inverter.on": 1, "pv_source.irradiance": 9.0 * share, "load.power": 1e3 * load,
            }  # fmt: skip
            start["load.power"] = float(
                simulate(pairing, until=10.0, step=1.0, start=start)["pv.power"].iloc[-1]
            )
            alone = simulate(
                pairing, [(10.0, "relays.inverter_enable", 0)], until=14.0, step=0.005, start=start
            )
            feeding = alone["pv.power"] > 0.01 * inverter.rated_power
            took = float(feeding[feeding].index[-1]) - 10.0
            source = f"{published()['TR-17']['source']}; shares: {published()['TR-18']['source']}"
            given = f"TR-17: {name} alone at {share} % of full sun, load matched"
            yield Row(f"{given}: gone within {most:g} s", float(took <= most), 1.0, 0.0, "yes = 1", source)
            nominal = pairing.battery_inverter.rated_frequency
            reached = (
                _drifted(inverter.trip - nominal, twin.drift, twin.frequency_window) + inverter.trip_delay
            )
            if (
                share < 100 or name != "dune9-spit7"
            ):  # there its droop has taken it to nothing before its trip
                law = "closed form: a straight drift through the frequency meter's lag, then the trip's delay"
                yield Row(f"{given}: feeds for", took, reached, 0.06, "s", law)


def _drifted(away: float, rate: float, lag: float) -> float:
    """When a first-order lag of a straight line shows it `away`: rate (t - lag (1 - exp(-t / lag))) = away."""
    t = away / rate + lag
    for _ in range(50):
        t = away / rate + lag * (1.0 - math.exp(-t / lag))
    return t


def latches() -> Iterator[Row]:
    case, e = published()["FW-29"], published()["FW-23"]["expected"]
    pairing = card(
        profile="grid", grid_start=e["f_start_Hz"], grid_zero=e["f_zero_Hz"], grid_trip=53.0, reference="power at crossing",
        latching=True, release_below=e["f_start_Hz"] - e["hysteresis_Hz"], recovery_time=60.0 / (e["ramp_pct_per_min"] / 100),
        response_time=0.2,
    )  # fmt: skip
    alone = Alone(pairing, 50.0).hold(1.0, 50.0)
    full = alone.share
    for k, frequency in enumerate(case["input"]["f_sequence_Hz"][:-1]):
        alone.hold(5.0, frequency)
        yield Row(
            f"FW-29: then {frequency:g} Hz ({k + 1})",
            alone.share / full,
            case["expected"][k],
            2e-3,
            "pu",
            case["source"],
        )
    alone.hold(2.0, 50.0)
    before = alone.share
    alone.hold(60.0, 50.0)
    yield Row(
        "FW-23: released, gained in a minute",
        alone.share - before,
        0.1667,
        2e-3,
        "pu",
        published()["FW-23"]["source"],
    )
