"""What must hold between the meters of a bench in any steady state, each within its uncertainty.

The uncertainty of a difference is the root of the sum of squares (JCGM 100:2008, 5.1.2), expanded with k = 3, since one
false alarm costs a morning. To it comes what the wiring itself takes: cable drops and losses (common practice).
Signs as everywhere: grid positive on import, PV and battery inverter positive to the bus, load when drawn, battery when
it charges.
"""

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

CIRCUITS = {
    "grid": "AC",
    "pv": "AC",
    "battery_inverter": "AC",
    "load": "AC",
    "battery": "DC",
    "pv_source": "DC",
}
K = 3.0
CABLE = 0.015  # of the voltage: most that a cable of the bench drops
LOSS = 0.01  # of the largest power: most that cables and contactors take
WATTS, AMPERES, HERTZ = 6.0, 0.1, 0.02  # what is nothing, besides the uncertainty
CONVERTER = (0.15, 100.0)  # most that a converter loses: this fraction, and this at rest (W)
KNOWN = 0.25  # a resistive load follows the voltage squared, so what is set is known so well
DEAD = 0.15  # of the bus voltage: below it a conductor counts as open
LEAST_FACTOR = 0.7  # power factor of converters and a resistive load at the powers of this test


@dataclass(frozen=True)
class Meter:
    """One meter in one state: means and standard uncertainties in SI, NaN where it reads none."""

    instrument: str
    circuit: str
    power: float
    u_power: float
    current: float
    u_current: float
    voltage: float
    u_voltage: float
    frequency: float
    u_frequency: float

    def scaled(self, current: float = 1.0, voltage: float = 1.0) -> "Meter":
        """As it would read with its current and voltage inputs times these factors."""
        both, size = current * voltage, abs(current)
        turned = current if CIRCUITS[self.circuit] == "DC" else size  # an RMS value has no sign
        return replace(
            self,
            power=self.power * both,
            u_power=self.u_power * abs(both),
            current=self.current * turned,
            u_current=self.u_current * size,
            voltage=self.voltage * voltage,
            u_voltage=self.u_voltage * abs(voltage),
        )

    def with_clamp_of(self, other: "Meter") -> "Meter":
        """With the current that the other's clamp brought; no power where the other's own voltage was dead."""
        share = self.voltage / other.voltage if other.voltage > 20.0 else math.nan
        return replace(
            self,
            current=other.current,
            u_current=other.u_current,
            power=other.power * share,
            u_power=math.hypot(other.u_power, self.u_power),
        )

    def same_current(self, other: "Meter") -> bool:
        """Whether both clamps bring the same current within the uncertainty."""
        if not _finite(self.current, other.current):
            return False
        allowed = K * math.hypot(self.u_current, other.u_current) + LOSS * abs(other.current)
        return abs(self.current - other.current) <= allowed

    def same_place(self, other: "Meter") -> bool:
        """Whether both read the same current, power and voltage."""
        power = K * math.hypot(self.u_power, other.u_power) + LOSS * abs(other.power) + WATTS
        if not self.same_current(other) or abs(self.power - other.power) > power:
            return False
        return abs(self.voltage - other.voltage) <= K * math.hypot(
            self.u_voltage, other.u_voltage
        ) + CABLE * abs(other.voltage)


@dataclass(frozen=True)
class Picture:
    """All meters in one state, by circuit, and how the bench was set."""

    step: str
    meters: Mapping[str, Meter]
    settings: Mapping[str, float]
    phases: int = 1  # of the pairing; the legs of split-phase count as such

    def on(self, setting: str) -> bool:
        """Whether a switch was ordered closed."""
        return self.settings.get(setting, 0.0) > 0.5

    def joined(self, circuit: str) -> bool:
        """Whether the conductor at this AC meter is joined with the bus in this state."""
        if circuit == "grid":
            return self.on("grid.closed")
        return self.on("relays.pv_contactor") if circuit == "pv" else True

    def reference_voltage(self, circuit: str) -> float:
        """The median voltage of the other AC meters on the bus; NaN where this one is not joined with it."""
        others = sorted(
            meter.voltage
            for name, meter in self.meters.items()
            if name != circuit and CIRCUITS[name] == "AC" and self.joined(name) and _finite(meter.voltage)
        )
        if len(others) < 2 or not self.joined(circuit):
            return math.nan
        return others[len(others) // 2]


@dataclass(frozen=True)
class Disagreement:
    """Something that does not hold; `excess`: by how many times what is allowed."""

    text: str
    excess: float


def expected_power(picture: Picture, circuit: str) -> float:
    """What the other meters say that this one should read; NaN where they can't say."""
    power = {name: meter.power for name, meter in picture.meters.items()}
    if circuit == "battery":
        return -power.get("battery_inverter", math.nan)
    if circuit == "pv_source":
        return power.get("pv", math.nan)
    flows = {"grid": 1.0, "pv": 1.0, "battery_inverter": 1.0, "load": -1.0}
    rest = sum(sign * power[name] for name, sign in flows.items() if name != circuit and name in power)
    return -rest * flows[circuit]


def could_flow(picture: Picture, circuit: str) -> bool:
    """Whether what the other meters say flows here can flow, as the bench is set; true where they can't say.

    For a meter that would read nothing of its circuit: then the others alone tell what flows there.
    """
    true = expected_power(picture, circuit)
    if not math.isfinite(true):
        return True
    u = math.hypot(*(m.u_power for name, m in picture.meters.items() if name != circuit))
    allowed = K * u + LOSS * max(abs(m.power) for m in picture.meters.values()) + WATTS
    if circuit in ("pv", "pv_source") and not picture.on("pv_source.on"):
        return abs(true) <= allowed + CONVERTER[1]  # an inverter without sun takes a little at most
    off = {
        "grid": not picture.on("grid.closed"),
        "pv": not picture.on("relays.pv_contactor"),
        "load": not picture.on("load.on"),
    }
    return not off.get(circuit) or abs(true) <= allowed


def disagreements(pictures: Sequence[Picture]) -> list[Disagreement]:
    """All that does not hold, state by state. What is not read (NaN) is not compared."""
    return [one for picture in pictures for one in _of_state(picture)]


def _of_state(picture: Picture) -> Iterator[Disagreement]:
    for text, distance, allowed in (
        *_balance(picture),
        *_open(picture),
        *_voltages(picture),
        *_frequencies(picture),
        *_load(picture),
        *_converters(picture),
        *_products(picture),
    ):
        if _finite(distance, allowed) and abs(distance) > allowed:
            yield Disagreement(f"{picture.step}: {text}", abs(distance) / allowed)


Compared = Iterator[tuple[str, float, float]]


def _balance(picture: Picture) -> Compared:
    names = [n for n in ("grid", "pv", "battery_inverter", "load") if n in picture.meters]
    meters = [picture.meters[name] for name in names]
    total = sum(-m.power if m.circuit == "load" else m.power for m in meters)
    allowed = K * math.hypot(*(m.u_power for m in meters))
    allowed += LOSS * max((abs(m.power) for m in meters), default=0.0) + WATTS
    yield f"the powers do not add up, {total:+.0f} W are left over", total, allowed


def _open(picture: Picture) -> Compared:
    """What is switched off carries nothing."""
    off = {
        "grid": not picture.on("grid.closed"),
        "pv": not picture.on("relays.pv_contactor"),
        "load": not picture.on("load.on"),
        "pv_source": not picture.on("pv_source.on"),
    }
    for circuit, meter in picture.meters.items():
        if off.get(circuit):
            yield f"{circuit} is off and reads {meter.power:.0f} W", meter.power, K * meter.u_power + WATTS
            allowed = K * meter.u_current + AMPERES
            yield f"{circuit} is off and reads {meter.current:.2f} A", meter.current, allowed


def _voltages(picture: Picture) -> Compared:
    bus = [
        meter
        for name, meter in picture.meters.items()
        if CIRCUITS[name] == "AC" and picture.joined(name) and _finite(meter.voltage)
    ]
    for k, one in enumerate(bus):
        for other in bus[k + 1 :]:
            allowed = K * math.hypot(one.u_voltage, other.u_voltage)
            allowed += CABLE * max(abs(one.voltage), abs(other.voltage))
            text = f"{one.instrument} reads {one.voltage:.1f} V, {other.instrument} {other.voltage:.1f} V"
            yield text, one.voltage - other.voltage, allowed
    highest = max((meter.voltage for meter in bus), default=math.nan)
    for name, meter in picture.meters.items():
        if CIRCUITS[name] == "AC" and not picture.joined(name) and _finite(meter.voltage):
            yield (
                f"{name} is open and {meter.instrument} reads {meter.voltage:.0f} V",
                meter.voltage,
                DEAD * highest,
            )


def _frequencies(picture: Picture) -> Compared:
    live = [
        meter
        for name, meter in picture.meters.items()
        if CIRCUITS[name] == "AC" and picture.joined(name) and _finite(meter.frequency, meter.u_frequency)
    ]
    for k, one in enumerate(live):
        for other in live[k + 1 :]:
            allowed = K * math.hypot(one.u_frequency, other.u_frequency) + HERTZ
            text = (
                f"{one.instrument} reads {one.frequency:.3f} Hz, {other.instrument} {other.frequency:.3f} Hz"
            )
            yield text, one.frequency - other.frequency, allowed


def _load(picture: Picture) -> Compared:
    """The known load: as set, as far as its voltage is known."""
    legs = [picture.settings.get(f"load.power_l{k + 1}", math.nan) for k in range(picture.phases)]
    known = sum(legs) if _finite(*legs) else picture.settings.get("load.power", math.nan)
    if "load" in picture.meters and picture.on("load.on"):
        meter = picture.meters["load"]
        allowed = KNOWN * known + 2.0 * WATTS + K * meter.u_power
        yield f"the load is set to {known:.0f} W and reads {meter.power:.0f} W", meter.power - known, allowed


def _converters(picture: Picture) -> Compared:
    """A converter loses a little, and never gains."""
    pairs = (
        ("battery", "battery_inverter", "the battery inverter", -1.0),
        ("pv_source", "pv", "the PV inverter", 1.0),
    )
    for dc, ac, says, sign in pairs:
        if dc not in picture.meters or ac not in picture.meters:
            continue
        one, other = picture.meters[dc], picture.meters[ac]
        lost = sign * one.power - other.power
        share, rest = CONVERTER
        most = share * max(abs(one.power), abs(other.power)) + rest
        allowed = K * math.hypot(one.u_power, other.u_power) + WATTS + most / 2.0
        text = f"{says} would lose {lost:.0f} W ({one.power:.0f} W at DC, {other.power:.0f} W at AC)"
        yield text, lost - most / 2.0, allowed


def _products(picture: Picture) -> Compared:
    """Power, voltage and current of one meter belong together."""
    for name, meter in picture.meters.items():
        product = meter.voltage * meter.current
        u = math.hypot(meter.u_power, meter.voltage * meter.u_current, meter.current * meter.u_voltage)
        allowed = K * u + LOSS * abs(product) + WATTS
        text = f"{meter.instrument} reads {meter.power:.0f} W, and {meter.voltage:.1f} V times {meter.current:.2f} A"
        if CIRCUITS[name] == "DC":
            yield text, meter.power - product, allowed
            continue
        low, high = _within(picture.phases, product, name == "load")
        middle, half = (high + low) / 2.0, (high - low) / 2.0
        yield text, abs(meter.power) - middle, allowed + half


def _within(phases: int, product: float, load: bool) -> tuple[float, float]:
    """Between which powers a meter lies whose voltage times current is this.

    With several phases its current is that of the most loaded one, its power the sum; the legs may carry opposite ways.
    """
    if phases == 1:
        return product if load else (LEAST_FACTOR * product if product > 200.0 else 0.0), product
    high = product if phases == 2 else phases * product  # of split-phase the voltage is that between the legs
    return (high / phases if load else 0.0), high


def _finite(*values: float) -> bool:
    return all(math.isfinite(value) for value in values)
