"""Whether the elements of the power analysers on a split-phase or three-phase bench sit on the conductors they should.

Besides what must hold of whole circuits (`wiring_rules`), each leg or phase has a balance of its own, in states in which the
legs are loaded unlike one another and the grid's legs have unlike voltages. Where something does not hold, each fault of an
element is undone on paper: its clamp reversed, of a wrong ratio, or on another leg; voltage leads or clamps of several elements
exchanged, or both together; a whole analyser in another's place. Tolerances as in `wiring_rules` (k = 3; common practice).
"""

import itertools
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from benchrunner.measure.wiring_rules import (
    AMPERES,
    CABLE,
    DEAD,
    LEAST_FACTOR,
    LOSS,
    WATTS,
    Compared,
    Disagreement,
    K,
    Picture,
)

FLOWS = {"grid": 1.0, "pv": 1.0, "battery_inverter": 1.0}
SHARE = 0.02  # of the load: how well its division over equally set legs is known
Place = tuple[str, int]  # circuit and leg, from 0


@dataclass(frozen=True)
class Element:
    """One element in one state: means and standard uncertainties in SI, NaN where it reads none."""

    power: float
    u_power: float
    current: float
    u_current: float
    voltage: float
    u_voltage: float


@dataclass(frozen=True)
class LegPicture:
    """All elements in one state. `whole`: the meters of whole circuits in the same state. `load`: set on each leg, W."""

    step: str
    phases: int
    elements: Mapping[Place, Element]
    instruments: Mapping[str, str]  # circuit -> the analyser on it
    whole: Picture
    load: tuple[float, ...]

    def with_elements(self, changed: Mapping[Place, Element]) -> "LegPicture":
        """With these elements instead."""
        return replace(self, elements={**self.elements, **changed})

    def leg_load(self, leg: int) -> tuple[float, float]:
        """What the load draws from a leg, by its own meter and what was set, and the standard uncertainty of that, W."""
        total = self.whole.meters.get("load")
        if total is None or not self.whole.on("load.on") or sum(self.load) <= 0.0:
            return 0.0, 0.0
        weights = [power * self.reference(k) ** 2 for k, power in enumerate(self.load)]
        if not all(map(math.isfinite, weights)) or sum(weights) <= 0.0:
            weights = list(self.load)
        share = weights[leg] / sum(weights)
        divided = SHARE * share * total.power if 0.0 < share < 1.0 else 0.0
        return share * total.power, math.hypot(share * total.u_power, divided)

    def reference(self, leg: int) -> float:
        """The median voltage of a leg by the elements joined with the bus; NaN where there is none."""
        found = sorted(
            one.voltage
            for (circuit, k), one in self.elements.items()
            if k == leg and self.whole.joined(circuit) and math.isfinite(one.voltage)
        )
        return (found[(len(found) - 1) // 2] + found[len(found) // 2]) / 2.0 if found else math.nan

    def expected(self, place: Place) -> float:
        """What the other elements on this leg and the load say that this one should read; NaN where they can't say."""
        circuit, leg = place
        rest = -self.leg_load(leg)[0]
        for other in self.instruments:
            if other != circuit:
                rest += self.elements[other, leg].power
        return -rest


def cosine(phases: int, leg: int, other: int) -> float:
    """Of the angle between the nominal voltages of two legs: 180 degrees in split-phase, else 120."""
    return 1.0 if leg == other else (-1.0 if phases == 2 else -0.5)


def leg_disagreements(pictures: Sequence[LegPicture]) -> list[Disagreement]:
    """All that does not hold, state by state."""
    found = []
    for picture in pictures:
        for text, distance, allowed in (
            *_balance(picture),
            *_sums(picture),
            *_open(picture),
            *_voltages(picture),
            *_products(picture),
        ):
            if math.isfinite(distance) and math.isfinite(allowed) and abs(distance) > allowed:
                found.append(Disagreement(f"{picture.step}: {text}", abs(distance) / allowed))
    return found


def _word(picture: LegPicture, leg: int) -> str:
    return f"{'leg' if picture.phases == 2 else 'phase'} L{leg + 1}"


def _balance(picture: LegPicture) -> Compared:
    for leg in range(picture.phases):
        elements = [picture.elements[circuit, leg] for circuit in picture.instruments]
        drawn, u_drawn = picture.leg_load(leg)
        total = sum(one.power for one in elements) - drawn
        allowed = K * math.hypot(u_drawn, *(one.u_power for one in elements)) + WATTS
        allowed += LOSS * max(abs(drawn), *(abs(one.power) for one in elements))
        yield (
            f"the powers of {_word(picture, leg)} do not add up, {total:+.0f} W are left over",
            total,
            allowed,
        )


def _sums(picture: LegPicture) -> Compared:
    for circuit, instrument in picture.instruments.items():
        meter = picture.whole.meters.get(circuit)
        if meter is None:
            continue
        elements = [picture.elements[circuit, leg] for leg in range(picture.phases)]
        total = sum(one.power for one in elements)
        allowed = K * math.hypot(meter.u_power, *(one.u_power for one in elements)) + WATTS
        allowed += LOSS * max(abs(one.power) for one in elements)
        text = f"the elements of {instrument} together read {total:.0f} W, {meter.instrument} {meter.power:.0f} W"
        yield text, total - meter.power, allowed


def _open(picture: LegPicture) -> Compared:
    highest = max(
        (one.voltage for one in picture.elements.values() if math.isfinite(one.voltage)), default=0.0
    )
    for (circuit, leg), one in picture.elements.items():
        if picture.whole.joined(circuit):
            continue
        place = f"{circuit}, {_word(picture, leg)}"
        yield f"{place} is open and reads {one.power:.0f} W", one.power, K * one.u_power + WATTS
        yield f"{place} is open and reads {one.current:.2f} A", one.current, K * one.u_current + AMPERES
        yield f"{place} is open and reads {one.voltage:.0f} V", one.voltage, DEAD * highest


def _voltages(picture: LegPicture) -> Compared:
    joined = [circuit for circuit in picture.instruments if picture.whole.joined(circuit)]
    for leg in range(picture.phases):
        for first, second in itertools.combinations(joined, 2):
            one, other = picture.elements[first, leg], picture.elements[second, leg]
            allowed = K * math.hypot(one.u_voltage, other.u_voltage) + CABLE * max(one.voltage, other.voltage)
            text = f"{_word(picture, leg)} has {one.voltage:.1f} V at {first} and {other.voltage:.1f} V at {second}"
            yield text, one.voltage - other.voltage, allowed


def _products(picture: LegPicture) -> Compared:
    for (circuit, leg), one in picture.elements.items():
        product = one.voltage * one.current
        u = math.hypot(one.u_power, one.voltage * one.u_current, one.current * one.u_voltage)
        low = LEAST_FACTOR * product if product > 200.0 else 0.0
        text = f"{circuit}, {_word(picture, leg)} reads {one.power:.0f} W, and {one.voltage:.1f} V times {one.current:.2f} A"
        allowed = K * u + LOSS * abs(product) + WATTS + (product - low) / 2.0
        yield text, abs(one.power) - (product + low) / 2.0, allowed


# ---------------------------------------------------------------- undoing a fault on paper


def turned(power: float, apparent: float, cos: float, expected: float) -> float:
    """Active power with the voltage turned back by an angle of this cosine; the side it lags to is not known.

    Of the two that fit what was read, the one nearest to `expected`, or the larger where that is not known.
    """
    sine = math.sqrt(max(0.0, 1.0 - cos * cos))
    other = sine * math.sqrt(max(0.0, apparent * apparent - power * power))
    pair = (power * cos + other, power * cos - other)
    if math.isfinite(expected):
        return min(pair, key=lambda one: abs(one - expected))
    return max(pair, key=abs)


def permuted(
    picture: LegPicture, circuit: str, order: Sequence[int], clamps: bool, leads: bool
) -> LegPicture:
    """As it would read were the clamp, the leads or both of element k, now on leg `order[k]`, put back on k."""
    changed: dict[Place, Element] = {}
    for k, j in enumerate(order):
        mine, there = picture.elements[circuit, k], picture.elements[circuit, j]
        if clamps and leads:
            changed[circuit, j] = mine
            continue
        cos = cosine(picture.phases, k, j)
        u_more = mine.voltage * mine.u_current if j != k and picture.phases == 3 else 0.0
        u_power = math.hypot(mine.u_power, u_more) * (1.0 if j == k else 1.0 / abs(cos))
        if clamps:  # read: own voltage, the other's current
            ratio = there.voltage / mine.voltage if mine.voltage > 20.0 else math.nan
            apparent = mine.voltage * mine.current
            power = (
                mine.power
                if j == k
                else ratio * turned(mine.power, apparent, cos, picture.expected((circuit, j)))
            )
            before = changed.get((circuit, j), there)
            changed[circuit, j] = replace(
                before, power=power, u_power=u_power, current=mine.current, u_current=mine.u_current
            )
        else:  # read: the other's voltage, own current
            back = picture.elements[circuit, list(order).index(k)]  # whose leads sit on this leg
            ratio = back.voltage / mine.voltage if mine.voltage > 20.0 else math.nan
            apparent = mine.voltage * mine.current
            power = (
                mine.power
                if j == k
                else ratio * turned(mine.power, apparent, cos, picture.expected((circuit, k)))
            )
            changed[circuit, k] = replace(
                mine, power=power, u_power=u_power, voltage=back.voltage, u_voltage=back.u_voltage
            )
    return picture.with_elements(changed)


def scaled(picture: LegPicture, place: Place, current: float = 1.0, voltage: float = 1.0) -> LegPicture:
    """With current and voltage inputs of an element times these factors."""
    one = picture.elements[place]
    both, size = current * voltage, abs(current)
    fixed = Element(
        one.power * both, one.u_power * abs(both), one.current * size, one.u_current * size,
        one.voltage * voltage, one.u_voltage * abs(voltage),
    )  # fmt: skip
    return picture.with_elements({place: fixed})


def blinded(picture: LegPicture, place: Place) -> LegPicture:
    """Without the current and power of an element."""
    one = picture.elements[place]
    return picture.with_elements({place: replace(one, power=math.nan, current=math.nan)})


def clamp_of(picture: LegPicture, place: Place, leg: int) -> bool:
    """Whether this element reads as one would whose clamp is on another leg of its circuit."""
    one, other = picture.elements[place], picture.elements[place[0], leg]
    allowed = K * math.hypot(one.u_current, other.u_current) + LOSS * abs(other.current) + AMPERES / 2.0
    if not abs(one.current - other.current) <= allowed:
        return False
    cos = cosine(picture.phases, place[1], leg)
    sine = math.sqrt(max(0.0, 1.0 - cos * cos))
    ratio = one.voltage / other.voltage if other.voltage > 20.0 else 0.0
    reactive = math.sqrt(max(0.0, (other.voltage * other.current) ** 2 - other.power**2))
    small = (
        K * math.hypot(one.u_power, other.u_power, one.voltage * other.u_current)
        + WATTS
        + 0.02 * abs(other.power)
    )
    return abs(one.power - ratio * cos * other.power) <= small + sine * reactive + 0.05 * sine * abs(
        other.power
    )


def leads_of(picture: LegPicture, place: Place, leg: int) -> LegPicture | None:
    """With the voltage leads of an element put back, which now sit on another leg; None where it does not read so."""
    one, other = picture.elements[place], picture.elements[place[0], leg]
    u = math.hypot(one.u_voltage, other.u_voltage)
    if not abs(one.voltage - other.voltage) <= K * u + 0.002 * other.voltage:
        return None
    cos = cosine(picture.phases, place[1], leg)
    own = _elsewhere_voltage(picture, place)
    ratio = own / one.voltage if one.voltage > 20.0 else math.nan
    power = ratio * turned(one.power, one.voltage * one.current, cos, picture.expected(place))
    u_more = one.voltage * one.u_current if picture.phases == 3 else 0.0
    fixed = replace(
        one,
        power=power,
        u_power=math.hypot(one.u_power, u_more) / abs(cos),
        voltage=math.nan,
        u_voltage=math.nan,
    )
    return picture.with_elements({place: fixed})


def _elsewhere_voltage(picture: LegPicture, place: Place) -> float:
    """The voltage of this leg by the other circuits joined with this one; its own where there is none."""
    own = picture.elements[place].voltage
    if not picture.whole.joined(place[0]):
        return own
    others = sorted(
        one.voltage
        for (circuit, k), one in picture.elements.items()
        if k == place[1]
        and circuit != place[0]
        and picture.whole.joined(circuit)
        and math.isfinite(one.voltage)
    )
    return others[len(others) // 2] if others else own


def told_apart(pictures: Sequence[LegPicture]) -> Iterator[str]:
    """Which legs were never told apart by their loads: for these an exchange would not be seen."""
    phases = pictures[0].phases
    for one, other in itertools.combinations(range(phases), 2):
        seen = any(abs(p.load[one] - p.load[other]) > 100.0 and p.whole.on("load.on") for p in pictures)
        if not seen:
            yield f"{_word(pictures[0], one)} and {_word(pictures[0], other)}"
