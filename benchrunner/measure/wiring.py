"""Whether the meters of a bench agree, and if not, which fault in the wiring explains what all of them read.

Steady states of the bench (known small loads, each supply in turn) are held against what must hold in any of them: the
powers add up, what is joined has one voltage and one frequency, what is open carries nothing, a converter loses a
little and never gains. Where that fails, each fault that a person can make is undone on paper, one after the other and
then in pairs; what makes everything agree again is the finding. Nothing here knows a file or an instrument.
"""

import itertools
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from benchrunner.measure.evidence import Measured, nothing
from benchrunner.measure.wiring_elements import examine_legs, leg_pictures
from benchrunner.measure.wiring_faults import (
    LEAST_FACTOR,
    MOST_FACTOR,
    NEAR,
    ONE,
    SMALL,
    Fault,
    Finding,
    together,
)
from benchrunner.measure.wiring_legs import told_apart
from benchrunner.measure.wiring_rules import (
    CIRCUITS,
    Meter,
    Picture,
    could_flow,
    disagreements,
    expected_power,
)


@dataclass(frozen=True)
class State:
    """One steady state: mean (SI) and standard uncertainty of each channel (NaN: none, or not stated), settings."""

    step: str
    values: Mapping[str, float]
    u: Mapping[str, float]
    settings: Mapping[str, float]


@dataclass(frozen=True)
class States:
    """All steady states of a run, which channels each instrument brings, and the phases of the pairing (legs count as such)."""

    states: Sequence[State]
    meters: Mapping[str, Sequence[str]]
    phases: int = 1


def judge_states(states: States) -> Measured:
    """The number of faults in the wiring, with their names as the note; no value where too little was seen.

    At least three steady states are needed, and the accuracy of every meter compared (JCGM 100:2008, 5.1.2).
    """
    if len(states.states) < 3:
        return nothing(f"only {len(states.states)} steady states were reached, at least 3 are needed")
    pictures = [picture_of(state, states.meters, states.phases) for state in states.states]
    present = {circuit for circuit in CIRCUITS if circuit in pictures[0].meters}
    if lacking := {"grid", "battery_inverter", "load"} - present:
        return nothing(f"no power is read of {', '.join(sorted(lacking))}")
    vague = sorted(
        f"{circuit}.power"
        for circuit in present
        if not all(math.isfinite(picture.meters[circuit].u_power) for picture in pictures)
    )
    if vague:
        return nothing(f"no reading, or no accuracy stated, of {', '.join(vague)}")
    finding, fixed = _examined(pictures)
    legs = leg_pictures(fixed, [(s.values, s.u) for s in states.states], states.meters, states.phases)
    if not legs:
        return Measured(float(finding.count), 0.0, note=finding.text)
    both = together(finding, examine_legs(legs))
    if both.agree and (unlike := list(told_apart(legs))):
        mend = "run a wiring proof that does: wiring-proof-legs"
        return nothing(f"{' and '.join(unlike)} were never loaded unlike one another: {mend}")
    return Measured(float(both.count), 0.0, note=both.text)


def picture_of(state: State, instruments: Mapping[str, Sequence[str]], phases: int = 1) -> Picture:
    """The meters of one state, by the circuit whose power they read."""
    meters: dict[str, Meter] = {}
    for instrument, channels in instruments.items():
        for circuit in CIRCUITS:
            if f"{circuit}.power" not in channels:
                continue
            found = {channel.rpartition(".")[2]: channel for channel in channels}

            def one(quantity: str, found: dict[str, str] = found) -> tuple[float, float]:
                name = found.get(quantity, "")
                return state.values.get(name, math.nan), state.u.get(name, math.nan)

            meters[circuit] = Meter(
                instrument, circuit, *one("power"), *one("current"), *one("voltage"), *one("frequency")
            )
    return Picture(state.step, meters, dict(state.settings), phases)


def examine(pictures: Sequence[Picture]) -> Finding:
    """What the states show together."""
    return _examined(pictures)[0]


def _examined(pictures: Sequence[Picture]) -> tuple[Finding, Sequence[Picture]]:
    """The finding, and the states as they would read without what its first explanation names."""
    against = tuple(sorted(disagreements(pictures), key=lambda one: -one.excess))
    if not against:
        return Finding(True), pictures
    singles = list(_single_faults(pictures))
    good: list[tuple[tuple[Fault, ...], list[Picture]]]
    good = [((fault,), fixed) for fault, fixed in singles if not disagreements(fixed)]
    good = _simplest(good)
    if not good:
        good = list(_pairs(pictures, singles))
    explanations = tuple(dict.fromkeys(faults for faults, _ in good))
    return Finding(False, explanations, against), good[0][1] if good else pictures


def _simplest(
    good: list[tuple[tuple[Fault, ...], list[Picture]]],
) -> list[tuple[tuple[Fault, ...], list[Picture]]]:
    """Without the clamps that would be reversed and have a wrong ratio too, where being reversed explains everything."""
    turned = {fault.instruments for (fault,), _ in good if fault.kind == "reversed"}
    return [
        ((fault,), fixed)
        for (fault,), fixed in good
        if not (fault.kind == "ratio" and fault.factor < 0.0 and fault.instruments in turned)
    ]


def _pairs(
    pictures: Sequence[Picture], singles: Sequence[tuple[Fault, list[Picture]]]
) -> Iterator[tuple[tuple[Fault, ...], list[Picture]]]:
    """Two faults at different instruments. Only faults that help are built upon: the rest must fall apart less."""
    before = sum(one.excess for one in disagreements(pictures))
    helpful = [(f, fixed) for f, fixed in singles if sum(one.excess for one in disagreements(fixed)) < before]
    seen: set[frozenset[tuple[str, tuple[str, ...]]]] = set()
    for first, fixed in helpful:
        for second, both in _single_faults(fixed):
            if set(first.instruments) & set(second.instruments):
                continue
            key = frozenset({(first.kind, first.instruments), (second.kind, second.instruments)})
            if key not in seen and not disagreements(both):
                seen.add(key)
                yield (first, second), both


def _single_faults(pictures: Sequence[Picture]) -> Iterator[tuple[Fault, list[Picture]]]:
    """Every fault that could be there, and the states as they would read without it."""
    present = [c for c in CIRCUITS if all(c in p.meters for p in pictures)]
    for circuit in present:
        yield from _clamp(pictures, circuit)
        yield from _leads(pictures, circuit)
        yield from _open_input(pictures, circuit)
    for one, other in itertools.combinations(present, 2):
        if CIRCUITS[one] == CIRCUITS[other]:
            yield _exchanged(pictures, one, other)
            if CIRCUITS[one] == "AC":
                yield _clamps_exchanged(pictures, one, other)
    for one, other in itertools.permutations(present, 2):
        if CIRCUITS[one] == CIRCUITS[other]:
            yield from _elsewhere(pictures, one, other)


def _name(picture: Picture, circuit: str) -> str:
    return f"{picture.meters[circuit].instrument} (at {circuit})"


def _changed(pictures: Sequence[Picture], **meters: Sequence[Meter]) -> list[Picture]:
    return [
        replace(picture, meters={**picture.meters, **{c: series[k] for c, series in meters.items()}})
        for k, picture in enumerate(pictures)
    ]


def _clamp(pictures: Sequence[Picture], circuit: str) -> Iterator[tuple[Fault, list[Picture]]]:
    """The current clamp the other way round, with a wrong ratio, or both: power and current times one factor."""
    name, instrument = _name(pictures[0], circuit), pictures[0].meters[circuit].instrument
    for factor in _factors(pictures, circuit):
        turned, size = factor < 0.0, abs(factor)
        if size == 1.0:
            kind, text = "reversed", f"the current clamp of {name} is reversed"
        else:
            kind = "ratio"
            text = (
                f"the current ratio of {name} is wrong: it reads about {size:.2g} times what the others show"
            )
            text += ", and its clamp is reversed" if turned else ""
        fixed = [p.meters[circuit].scaled(current=1.0 / factor) for p in pictures]
        yield Fault(kind, (instrument,), (circuit,), text, factor), _changed(pictures, **{circuit: fixed})


def _factors(pictures: Sequence[Picture], circuit: str) -> list[float]:
    """By what this meter's current may be multiplied: what single states say, those that say the same taken together."""
    said = [(p.meters[circuit].power, expected_power(p, circuit)) for p in pictures]
    plain = [(power, true) for power, true in said if math.isfinite(true) and abs(true) > SMALL and power]
    groups: list[list[tuple[float, float]]] = []
    for power, true in sorted(plain, key=lambda pair: pair[0] / pair[1]):
        near = groups and abs(power / true - groups[-1][0][0] / groups[-1][0][1]) < NEAR * abs(power / true)
        if near:
            groups[-1].append((power, true))
        else:
            groups.append([(power, true)])
    found = [-1.0]
    for group in groups:
        factor = sum(power * true for power, true in group) / sum(true * true for _, true in group)
        if LEAST_FACTOR < abs(factor) < MOST_FACTOR and abs(abs(factor) - 1.0) >= ONE:
            found.append(factor)
    return found


def _leads(pictures: Sequence[Picture], circuit: str) -> Iterator[tuple[Fault, list[Picture]]]:
    """The voltage input with a wrong ratio: voltage and power times one factor."""
    pairs = [
        (picture.meters[circuit].voltage, reference)
        for picture in pictures
        if CIRCUITS[circuit] == "AC" and math.isfinite(reference := picture.reference_voltage(circuit))
    ]
    below = sum(reference**2 for _, reference in pairs)
    if below <= 0.0:
        return
    factor = sum(shown * reference for shown, reference in pairs) / below
    if not LEAST_FACTOR < factor < MOST_FACTOR or abs(factor - 1.0) < ONE:
        return
    instrument = pictures[0].meters[circuit].instrument
    text = f"the voltage ratio of {_name(pictures[0], circuit)} is wrong: it reads about {factor:.2g} times what the others show"
    fixed = [p.meters[circuit].scaled(voltage=1.0 / factor) for p in pictures]
    yield (
        Fault("voltage ratio", (instrument,), (circuit,), text, factor),
        _changed(pictures, **{circuit: fixed}),
    )


def _open_input(pictures: Sequence[Picture], circuit: str) -> Iterator[tuple[Fault, list[Picture]]]:
    """A clamp round nothing, or an input left open: no current in any state."""
    shown = [p.meters[circuit] for p in pictures]
    if any(abs(meter.power) > 6.0 * meter.u_power + 10.0 for meter in shown):
        return
    text = (
        f"the clamp of {_name(pictures[0], circuit)} is round no conductor of this test, or its input is open"
    )
    blind = [replace(meter, power=math.nan, current=math.nan) for meter in shown]
    if all(could_flow(picture, circuit) for picture in pictures):
        yield (
            Fault("nothing", (shown[0].instrument,), (circuit,), text),
            _changed(pictures, **{circuit: blind}),
        )


def _exchanged(pictures: Sequence[Picture], one: str, other: str) -> tuple[Fault, list[Picture]]:
    """Two whole meters in each other's place (or with each other's address)."""
    first, second = pictures[0].meters[one].instrument, pictures[0].meters[other].instrument
    fixed_one = [replace(p.meters[other], instrument=first, circuit=one) for p in pictures]
    fixed_other = [replace(p.meters[one], instrument=second, circuit=other) for p in pictures]
    text = f"{first} and {second} are exchanged: each reads the other's circuit ({one}, {other})"
    return Fault("exchanged", (first, second), (one, other), text), _changed(
        pictures, **{one: fixed_one, other: fixed_other}
    )


def _clamps_exchanged(pictures: Sequence[Picture], one: str, other: str) -> tuple[Fault, list[Picture]]:
    """The current clamps of two meters exchanged, each voltage at its own place."""
    first, second = pictures[0].meters[one].instrument, pictures[0].meters[other].instrument
    fixed_one = [p.meters[one].with_clamp_of(p.meters[other]) for p in pictures]
    fixed_other = [p.meters[other].with_clamp_of(p.meters[one]) for p in pictures]
    text = f"the current clamps of {first} and {second} are exchanged ({one}, {other})"
    return Fault("clamps exchanged", (first, second), (one, other), text), _changed(
        pictures, **{one: fixed_one, other: fixed_other}
    )


def _elsewhere(pictures: Sequence[Picture], one: str, other: str) -> Iterator[tuple[Fault, list[Picture]]]:
    """The meter of `one` on the circuit of `other`, beside the meter that belongs there: both read the same."""
    meters = [(p.meters[one], p.meters[other]) for p in pictures]
    instrument = meters[0][0].instrument
    if not all(could_flow(picture, one) for picture in pictures):
        return
    if all(mine.same_place(theirs) for mine, theirs in meters):
        blind = [
            replace(m, power=math.nan, current=math.nan, voltage=math.nan, frequency=math.nan)
            for m, _ in meters
        ]
        text = f"{_name(pictures[0], one)} is on the wrong circuit: it reads that of {other}, as the meter there does"
        if all(picture.joined(one) == picture.joined(other) for picture in pictures):
            text += (
                " (the whole meter, or its current clamp alone)"  # its voltage would be the same either way
            )
        yield Fault("elsewhere", (instrument,), (one, other), text), _changed(pictures, **{one: blind})
    elif all(mine.same_current(theirs) for mine, theirs in meters):
        blind = [replace(m, power=math.nan, current=math.nan) for m, _ in meters]
        text = f"the current clamp of {_name(pictures[0], one)} is on the wrong circuit: round the conductor of {other}"
        yield Fault("clamp elsewhere", (instrument,), (one, other), text), _changed(pictures, **{one: blind})
