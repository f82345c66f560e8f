"""What makes one simulated instrument differ from another: accuracy, resolution, update, window, ranges, identity.

The values come from the bench card (`from_bench`), so that the emulator errs by what the card says it may, or are
given directly. Everything is in the quantity's SI unit, at the channel (behind a clamp or divider).
"""

import math
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from benchrunner.errors import Problem, Refused

if TYPE_CHECKING:
    from benchrunner.cards.bench import Bench

MAKER = "Highmoor Training Laboratory"
MODELS = {
    "ac_meter": "Simulated AC meter",
    "dc_meter": "Simulated DC meter",
    "ac_load": "Simulated load bank",
    "pv_source": "Simulated PV source",
    "grid_switch": "Simulated grid switch",
    "grid_source": "Simulated grid source",
    "relay_board": "Simulated relay board",
    "interlock": "Simulated interlock input",
    "watchdog_relay": "Simulated watchdog relay",
    "battery_monitor": "Simulated battery monitor",
    "inverter": "Simulated inverter",
    "waveform": "Simulated recorder",
    "power_analyser": "Simulated power analyser",
    "multimeter": "Simulated multimeter",
    "temperature_logger": "Simulated temperature logger",
    "irradiance_sensor": "Simulated irradiance sensor",
    "dc_source": "Simulated DC source",
    "dc_load": "Simulated DC load",
}
RESOLUTION = {  # one digit of the display where the card states none
    "voltage": 0.01, "current": 0.001, "power": 0.1, "apparent_power": 0.1, "reactive_power": 0.1,
    "power_factor": 0.0001, "frequency": 0.001, "soc": 0.001, "cell_voltage_max": 0.001, "cell_voltage_min": 0.001,
    "temperature": 0.1, "own_power": 1.0, "own_voltage": 0.1, "own_frequency": 0.01, "own_dc_voltage": 0.1,
}  # fmt: skip
RANGES = {  # what an instrument of the class bears, where the card states no range; beyond it the reading is overloaded
    "ac_meter": {"voltage": 600.0, "current": 150.0},
    "dc_meter": {"voltage": 1000.0, "current": 500.0},
    "ac_load": {"voltage": 300.0, "current": 250.0},
    "pv_source": {"voltage": 1000.0, "current": 60.0},
    "grid_source": {"voltage": 500.0},
}
CLAMP = ("current", "power", "apparent_power", "reactive_power")  # what a current clamp bears upon
LEADS = ("voltage", "power", "apparent_power", "reactive_power")
PLACES: dict[str, dict[str, str]] = {  # circuit -> the taps that are not its own
    "grid": {}, "pv": {}, "load": {"frequency": "bus"}, "battery_inverter": {"voltage": "bus", "frequency": "bus"},
    "battery": {}, "pv_source": {},
}  # fmt: skip
NOISE = 0.1  # standard deviation of the noise, as a fraction of the stated limit of error
FIXED = 0.5  # the fixed error lies within this fraction of the limit, so that with noise the limit holds


@dataclass(frozen=True)
class QuantityOptions:
    """How one quantity is read. `of_reading` (ratio) and `of_range` (absolute) are limits of error, half-widths."""

    of_reading: float = 0.0
    of_range: float = 0.0
    resolution: float = 0.0
    largest: float = math.inf  # beyond this the range is overloaded
    factor: float = 1.0  # displayed = factor * channel: clamp ratio and direction


@dataclass(frozen=True)
class Options:
    """One simulated instrument. `channels`: quantity -> channel; `own`: the card's `simulated` options as written."""

    klass: str
    role: str
    channels: dict[str, str] = field(default_factory=dict)
    quantities: dict[str, QuantityOptions] = field(default_factory=dict)
    update: float = 0.1
    window: float = 0.1
    latency: float = 0.005
    noise: float = NOISE
    fixed: float = FIXED
    serial: str = ""
    inputs: dict[int, str] = field(default_factory=dict)  # of a waveform recorder: input -> channel
    own: dict[str, str | float | bool] = field(default_factory=dict)

    def quantity(self, name: str) -> QuantityOptions:
        """The options of one quantity, with the class's resolution and range where none is stated."""
        found = self.quantities.get(name, QuantityOptions())
        resolution = found.resolution or RESOLUTION.get(name, 0.001)
        largest = (
            found.largest if math.isfinite(found.largest) else RANGES.get(self.klass, {}).get(name, math.inf)
        )
        return replace(found, resolution=resolution, largest=largest)

    def identity(self, name: str) -> str:
        """Manufacturer, model, serial number, firmware: the four fields of `*IDN?` (IEEE 488.2, 10.14)."""
        model = str(self.own.get("model", MODELS.get(self.klass, "Simulated instrument")))
        return ",".join(part.replace(",", " ") for part in (MAKER, model, self.serial or name, "1.0"))

    def number(self, key: str, otherwise: float) -> float:
        """A plain number among the card's own options (a text such as "5 ms" is read with its unit).

        Raises `Refused` for a text that is no number.
        """
        value = self.own.get(key)
        if value is None:
            return otherwise
        if isinstance(value, str):
            from benchrunner import units

            try:
                return float(value)
            except ValueError:
                pass
            try:
                return float(units.parse(value).value)
            except units.UnitError as error:
                raise Refused(Problem(f"simulated option {key!r}", error.what, error.mend)) from error
        return float(value)


def from_bench(bench: "Bench", name: str) -> Options:
    """The options of one instrument of a bench. Raises `Refused` for a simulated option that is no quantity."""
    part, driver = bench.card.instruments[name], bench.drivers[name]
    where = f"{bench.document.path}: instruments.{name}.simulated"
    reads = driver.kind.reads
    quantities: dict[str, QuantityOptions] = {}
    for quantity, known in reads.items():
        accuracy = part.accuracy.get(quantity)
        ratio = part.ratio.get(quantity, 1.0)
        sign = -1.0 if quantity in part.reversed else 1.0
        if part.simulated.get(f"{quantity}_reversed") is True:
            sign = -sign  # what is wired, as against what the card says
        quantities[quantity] = QuantityOptions(
            accuracy.of_reading if accuracy else 0.0,
            _si(accuracy.of_range if accuracy else None, known.unit, 0.0, where),
            _si(accuracy.resolution if accuracy else None, known.unit, 0.0, where),
            _si(part.simulated.get(f"{quantity}_range"), known.unit, math.inf, where),
            sign / ratio if ratio else sign,
        )
    own = miswired(part.klass, dict(part.simulated), quantities, where)
    channels = {q: part.channels.get(q, f"{part.role}.{q}") for q in reads}
    if part.klass == "power_analyser":
        from benchrunner.sim.emulators.elements import miswired_elements

        own = miswired_elements(own, channels, quantities, where)
    options = Options(part.klass, part.role, channels, quantities, part.update, part.window, driver.latency,
                      serial=part.serial, own=own,
                      inputs={int(n): plug.channel for n, plug in part.inputs.items() if n.isdigit()})  # fmt: skip
    latency = _si(part.simulated.get("latency"), "s", driver.latency, where)
    noise = _si(part.simulated.get("noise"), "1", NOISE, where)
    fixed = _si(part.simulated.get("fixed_error"), "1", FIXED, where)
    for key, unit in (("fault_at", "s"), ("fault_seconds", "s"), ("fault_count", "1")):
        _si(part.simulated.get(key), unit, 0.0, where)
    return replace(options, latency=latency, noise=noise, fixed=fixed)


def miswired(
    klass: str, own: dict[str, str | float | bool], quantities: dict[str, QuantityOptions], where: str
) -> dict[str, str | float | bool]:
    """A meter wired otherwise than the card says; changes `quantities`, returns the options with the taps it then reads.

    `clamp_reversed = true`; `clamp_factor = 2.0` and `leads_factor = 1.1`, a wrong ratio; `clamp_on = "load"`, the clamp
    round the conductor of another circuit; `meter_on = "pv"`, clamp and leads there. Raises `Refused`.
    """
    factors = {"clamp_factor": CLAMP, "leads_factor": LEADS}
    for option, touched in factors.items():
        factor = _si(own.get(option), "1", 1.0, where)
        if not 1e-6 <= factor <= 1e6:
            raise Refused(Problem(where, f"{option} = {factor:g} is no ratio", "give a number such as 2.0"))
        _times(quantities, touched, factor)
    if own.get("clamp_reversed") is True:
        turned: tuple[str, ...] = (
            "power",
            "reactive_power",
            *(("current",) if klass in ("dc_meter", "pv_source") else ()),
        )
        _times(quantities, turned, -1.0)
    taps: dict[str, str | float | bool] = {}
    places: dict[str, tuple[str, ...]] = {
        "clamp_on": ("current", "power"),
        "meter_on": (*LEADS[:1], *CLAMP[:2], "frequency"),
    }
    for option, moved in places.items():
        circuit = own.get(option)
        if circuit is None:
            continue
        if not isinstance(circuit, str) or circuit not in PLACES:
            mend = f"circuits: {', '.join(PLACES)}"
            raise Refused(
                Problem(where, f"{option} = {circuit!r} is no circuit of the simulated bench", mend)
            )
        taps |= {f"{q}_tap": f"{PLACES[circuit].get(q, circuit)}.{q}" for q in moved if q in quantities}
        if option == "clamp_on":
            taps["clamp_voltage_tap"] = f"{PLACES[circuit].get('voltage', circuit)}.voltage"
    return {**own, **taps}


def _times(quantities: dict[str, QuantityOptions], names: tuple[str, ...], factor: float) -> None:
    for name in names:
        if name in quantities:
            quantities[name] = replace(quantities[name], factor=quantities[name].factor * factor)


def _si(value: str | float | bool | None, unit: str, otherwise: float, where: str) -> float:
    if value is None:
        return otherwise
    from benchrunner.cards.quantities import si
    from benchrunner.cards.reading import Mended

    try:
        return si(value, unit)
    except Mended as error:
        raise Refused(Problem(where, error.what, error.mend)) from error
