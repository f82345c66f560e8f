"""Which fault at the elements of a bench's power analysers explains what they read: each is undone on paper, then in pairs.

The rules and what undoing means are in `wiring_legs`; the words and the way of searching are those of `wiring`.
"""

import itertools
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace

from benchrunner.measure.wiring_faults import LEAST_FACTOR, MOST_FACTOR, NEAR, ONE, SMALL, Fault, Finding
from benchrunner.measure.wiring_legs import (
    FLOWS,
    Element,
    LegPicture,
    Place,
    blinded,
    clamp_of,
    leads_of,
    leg_disagreements,
    permuted,
    scaled,
)
from benchrunner.measure.wiring_rules import Picture

VOLTAGE_OF = {"battery_inverter": "bus"}  # the circuit whose voltage channel has another name
Undone = tuple[Fault, list[LegPicture]]


def leg_pictures(
    pictures: Sequence[Picture],
    values: Sequence[tuple[Mapping[str, float], Mapping[str, float]]],
    instruments: Mapping[str, Sequence[str]],
    phases: int,
) -> list[LegPicture]:
    """The elements of each state, by circuit and leg; empty where no analyser reads every leg of grid and battery inverter.

    `values`: means and standard uncertainties of all channels in each state; `instruments`: the channels each brings.
    """
    if phases < 2:
        return []
    analysers = {
        circuit: name
        for circuit in FLOWS
        for name, channels in instruments.items()
        if all(f"{circuit}.{q}_l{k + 1}" in channels for q in ("power", "current") for k in range(phases))
    }
    if not {"grid", "battery_inverter"} <= set(analysers):
        return []
    found = []
    for picture, (means, u) in zip(pictures, values, strict=True):
        elements: dict[Place, Element] = {}
        for circuit, k in itertools.product(analysers, range(phases)):
            names = [f"{circuit}.power_l{k + 1}", f"{circuit}.current_l{k + 1}"]
            names.append(f"{VOLTAGE_OF.get(circuit, circuit)}.voltage_l{k + 1}")
            pairs = [(means.get(name, math.nan), u.get(name, math.nan)) for name in names]
            elements[circuit, k] = Element(*pairs[0], *pairs[1], *pairs[2])
        even = picture.settings.get("load.power", 0.0) / phases
        load = tuple(picture.settings.get(f"load.power_l{k + 1}", even) for k in range(phases))
        found.append(LegPicture(picture.step, phases, elements, analysers, picture, load))
    return found


def examine_legs(pictures: Sequence[LegPicture]) -> Finding:
    """What the elements show together."""
    against = tuple(sorted(leg_disagreements(pictures), key=lambda one: -one.excess))
    if not against:
        return Finding(True)
    singles = list(_singles(pictures))
    good: list[tuple[Fault, ...]] = [(fault,) for fault, fixed in singles if not leg_disagreements(fixed)]
    if not good:
        good = list(_pairs(singles, sum(one.excess for one in against)))
    return Finding(False, tuple(dict.fromkeys(good)), against)


def _pairs(singles: Sequence[Undone], before: float) -> Iterator[tuple[Fault, ...]]:
    """Two faults at different places. Only faults that help are built upon: the rest must fall apart less."""
    seen: set[frozenset[str]] = set()
    for first, fixed in singles:
        if sum(one.excess for one in leg_disagreements(fixed)) >= before:
            continue
        for second, both in _singles(fixed):
            key = frozenset({first.text.partition(":")[0], second.text.partition(":")[0]})
            if set(first.circuits) & set(second.circuits) or key in seen:
                continue
            if not leg_disagreements(both):
                seen.add(key)
                yield (first, second) if first.circuits <= second.circuits else (second, first)


def _singles(pictures: Sequence[LegPicture]) -> Iterator[Undone]:
    """Every fault that could be there, and the states as they would read without it."""
    analysers, phases = pictures[0].instruments, pictures[0].phases
    for circuit in analysers:
        for leg in range(phases):
            yield from _clamp(pictures, (circuit, leg))
            yield from _leads(pictures, (circuit, leg))
            yield from _nothing(pictures, (circuit, leg))
            for there in range(phases):
                if there != leg:
                    yield from _one_clamp(pictures, (circuit, leg), there)
                    yield from _one_lead(pictures, (circuit, leg), there)
        for order in itertools.permutations(range(phases)):
            if list(order) != list(range(phases)):
                yield from _several(pictures, circuit, order)
    for one, other in itertools.combinations(analysers, 2):
        yield _exchanged(pictures, one, other)
    for one, other in itertools.permutations(analysers, 2):
        yield from _elsewhere(pictures, one, other)


def _word(pictures: Sequence[LegPicture], *legs: int) -> str:
    word = "leg" if pictures[0].phases == 2 else "phase"
    names = [f"L{leg + 1}" for leg in legs]
    if len(names) == 1:
        return f"{word} {names[0]}"
    return f"{word}s {', '.join(names[:-1])} and {names[-1]}"


def _element(pictures: Sequence[LegPicture], place: Place) -> str:
    return f"element {place[1] + 1} of {pictures[0].instruments[place[0]]} ({place[0]}, {_word(pictures, place[1])})"


def _fault(pictures: Sequence[LegPicture], kind: str, place: Place, text: str, factor: float = 1.0) -> Fault:
    return Fault(kind, (pictures[0].instruments[place[0]],), (f"{place[0]} L{place[1] + 1}",), text, factor)


def _clamp(pictures: Sequence[LegPicture], place: Place) -> Iterator[Undone]:
    name = _element(pictures, place)
    for factor in (-1.0, *_factors(pictures, place)):
        size = abs(factor)
        if factor == -1.0:
            kind, text = "reversed", f"the current clamp of {name} is reversed"
        else:
            kind = "ratio"
            text = (
                f"the current ratio of {name} is wrong: it reads about {size:.2g} times what the others show"
            )
            text += ", and its clamp is reversed" if factor < 0.0 else ""
        yield (
            _fault(pictures, kind, place, text, factor),
            [scaled(picture, place, current=1.0 / factor) for picture in pictures],
        )


def _factors(pictures: Sequence[LegPicture], place: Place) -> Iterator[float]:
    """By what the current of this element may be multiplied: what single states say, like ones taken together."""
    said = [(picture.elements[place].power, picture.expected(place)) for picture in pictures]
    plain = [(power, true) for power, true in said if math.isfinite(power) and abs(true) > SMALL and power]
    groups: list[list[tuple[float, float]]] = []
    for power, true in sorted(plain, key=lambda pair: pair[0] / pair[1]):
        last = groups[-1][0][0] / groups[-1][0][1] if groups else math.nan
        if abs(power / true - last) < NEAR * abs(power / true):
            groups[-1].append((power, true))
        else:
            groups.append([(power, true)])
    for group in groups:
        factor = sum(power * true for power, true in group) / sum(true * true for _, true in group)
        if LEAST_FACTOR < abs(factor) < MOST_FACTOR and abs(abs(factor) - 1.0) >= ONE:
            yield factor


def _leads(pictures: Sequence[LegPicture], place: Place) -> Iterator[Undone]:
    pairs = [
        (picture.elements[place].voltage, reference)
        for picture in pictures
        if picture.whole.joined(place[0]) and math.isfinite(reference := _by_others(picture, place))
    ]
    below = sum(reference**2 for _, reference in pairs)
    factor = sum(shown * reference for shown, reference in pairs) / below if below > 0.0 else math.nan
    if not LEAST_FACTOR < factor < MOST_FACTOR or abs(factor - 1.0) < ONE:
        return
    text = f"the voltage ratio of {_element(pictures, place)} is wrong: it reads about {factor:.2g} times what the others show"
    yield (
        _fault(pictures, "voltage ratio", place, text, factor),
        [scaled(picture, place, voltage=1.0 / factor) for picture in pictures],
    )


def _by_others(picture: LegPicture, place: Place) -> float:
    """The middle voltage of all other elements of the bus, whatever their leg: their differences are smaller than a ratio."""
    others = sorted(
        one.voltage
        for other, one in picture.elements.items()
        if other != place and picture.whole.joined(other[0]) and math.isfinite(one.voltage)
    )
    return others[len(others) // 2] if others else math.nan


def _nothing(pictures: Sequence[LegPicture], place: Place) -> Iterator[Undone]:
    shown = [picture.elements[place] for picture in pictures]
    if any(abs(one.power) > 6.0 * one.u_power + 10.0 for one in shown):
        return
    text = (
        f"the clamp of {_element(pictures, place)} is round no conductor of this test, or its input is open"
    )
    yield _fault(pictures, "nothing", place, text), [blinded(picture, place) for picture in pictures]


def _one_clamp(pictures: Sequence[LegPicture], place: Place, leg: int) -> Iterator[Undone]:
    if all(clamp_of(picture, place, leg) for picture in pictures):
        text = f"the current clamp of {_element(pictures, place)} is on {_word(pictures, leg)}, its voltage lead is not"
        yield _fault(pictures, "clamp on another leg", place, text), [blinded(p, place) for p in pictures]


def _one_lead(pictures: Sequence[LegPicture], place: Place, leg: int) -> Iterator[Undone]:
    fixed = [leads_of(picture, place, leg) for picture in pictures]
    there = [picture for picture in fixed if picture is not None]
    if len(there) == len(fixed):
        text = (
            f"the voltage lead of {_element(pictures, place)} is on {_word(pictures, leg)}, its clamp is not"
        )
        yield _fault(pictures, "lead on another leg", place, text), there


def _several(pictures: Sequence[LegPicture], circuit: str, order: Sequence[int]) -> Iterator[Undone]:
    instrument = pictures[0].instruments[circuit]
    moved = [k for k, j in enumerate(order) if k != j]
    seats = ", ".join(f"element {k + 1} is on L{order[k] + 1}" for k in moved)
    circuits = tuple(f"{circuit} L{k + 1}" for k in moved)
    for clamps, leads in ((True, True), (True, False), (False, True)):
        what = "" if clamps and leads else ("the current clamps of " if clamps else "the voltage leads of ")
        text = f"{what}{_word(pictures, *moved)} are exchanged at {instrument} ({circuit}): {seats}"
        kind = "legs exchanged" if clamps and leads else ("clamps exchanged" if clamps else "leads exchanged")
        fixed = [permuted(picture, circuit, order, clamps, leads) for picture in pictures]
        yield Fault(kind, (instrument,), circuits, text), fixed


def _all_of(pictures: Sequence[LegPicture], *circuits: str) -> tuple[str, ...]:
    return tuple(f"{circuit} L{k + 1}" for circuit in circuits for k in range(pictures[0].phases))


def _exchanged(pictures: Sequence[LegPicture], one: str, other: str) -> Undone:
    first, second = pictures[0].instruments[one], pictures[0].instruments[other]
    fixed = []
    for picture in pictures:
        changed = {}
        for k in range(picture.phases):
            changed[one, k] = picture.elements[other, k]
            changed[other, k] = picture.elements[one, k]
        fixed.append(picture.with_elements(changed))
    text = f"{first} and {second} are exchanged: each reads the other's circuit ({one}, {other})"
    return Fault("exchanged", (first, second), _all_of(pictures, one, other), text), fixed


def _elsewhere(pictures: Sequence[LegPicture], one: str, other: str) -> Iterator[Undone]:
    """All elements of an analyser on the circuit of another, beside those that belong there."""
    for picture in pictures:
        for k in range(picture.phases):
            mine, theirs = picture.elements[one, k], picture.elements[other, k]
            allowed = 3.0 * math.hypot(mine.u_power, theirs.u_power) + 0.01 * abs(theirs.power) + 6.0
            volts = 3.0 * math.hypot(mine.u_voltage, theirs.u_voltage) + 0.015 * theirs.voltage
            if not (
                abs(mine.power - theirs.power) <= allowed and abs(mine.voltage - theirs.voltage) <= volts
            ):
                return
    instrument = pictures[0].instruments[one]
    text = f"{instrument} (at {one}) is on the wrong circuit: it reads that of {other}, as the analyser there does"
    fixed = []
    for picture in pictures:
        nothing = {
            (one, k): replace(picture.elements[one, k], power=math.nan, current=math.nan, voltage=math.nan)
            for k in range(picture.phases)
        }
        fixed.append(picture.with_elements(nothing))
    yield Fault("elsewhere", (instrument,), _all_of(pictures, one), text), fixed
