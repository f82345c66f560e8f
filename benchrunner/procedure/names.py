"""The names that a value may use besides its own procedure's, with their units; and how names become values.

`pairing.*` are the figures of the pairing card's nameplates and settings, `bench.*` those of the bench card. Their
units are known before any card is read, so that a file can be checked by itself.
"""

import difflib
import math
from collections.abc import Iterable, Mapping

from benchrunner.procedure.arithmetic import ArithmeticFault, Node, Value, dimension_of, names
from benchrunner.units import Quantity

_PAIRING = "pairing."
_CARD: dict[
    str, dict[str, str]
] = {  # part -> unit -> keys of the pairing card; held against the card in a test
    "battery_inverter": {
        "W": "rated_power surge_power pass_through_power",
        "V": "rated_voltage absorption_voltage float_voltage cell_voltage_limit equalise_voltage "
        "low_battery_voltage restart_voltage dc_trip_high dc_trip_low",
        "Hz": "rated_frequency shift_start shift_stop shift_maximum throw_off",
        "s": "surge_time absorption_time tail_hold transfer_time grid_wait pass_through_time "
        "equalise_time low_battery_delay restart_wait restart_try give_up_after",
        "A": "charge_current tail_current grid_charge_current",
        "1": "full_soc rebulk_soc",
        "Hz/s": "shift_rate",
        "V/K": "temperature_compensation",
    },
    "pv_inverter": {
        "W": "rated_power",
        "Hz": "grid_start grid_zero grid_trip island_start island_zero island_trip trip_low release_below",
        "s": "trip_delay response_time trip_voltage_high_delay trip_voltage_low_delay trip_low_delay "
        "recovery_time enter_service_delay ramp_time",
        "V": "trip_voltage_high trip_voltage_low",
        "VA": "rated_apparent_power",
    },
    "battery": {
        "1": "cells charge_taper_from charge_taper_least",
        "C": "capacity",
        "V": "nominal_voltage charge_voltage_limit protection_voltage protection_voltage_low "
        "cell_protection_voltage cell_protection_voltage_low",
        "A": "charge_current_limit over_current",
        "s": "protection_delay over_current_delay temperature_delay protection_reset rated_time",
        "K": "temperature_high charge_temperature_low",
    },
    "array": {
        "W": "peak_power",
        "V": "module_open_circuit_voltage module_voltage",
        "A": "module_short_circuit_current module_current",
        "1": "current_coefficient",
    },
}
PAIRING_UNITS: dict[str, str] = {
    "pairing.expected_pv_power": "W",  # of all PV inverters on the bus, as is the next
    "pairing.pv_rated_power": "W",
    "pairing.phases": "1",  # against neutral; the legs of split-phase count as such
    "pairing.phase_voltage": "V",  # of a phase against neutral
    "pairing.power_per_ampere": "V",  # over all phases, for each ampere in every line conductor
    **{
        f"pairing.{part}.{key}": unit
        for part, units in _CARD.items()
        for unit, keys in units.items()
        for key in keys.split()
    },
}


class Scope:
    """Looks names up: parameters and values of the procedure, loop variables, pairing and bench values.

    With `cards` None nothing of the cards is known: their values are NaN of the right dimension, and only form and
    dimensions are checked.
    """

    def __init__(self, cards: Mapping[str, Quantity] | None) -> None:
        self._cards = cards
        self._values: dict[str, Value] = {}
        self._faulty: set[str] = set()

    def fix(self, name: str, value: Value) -> None:
        """A name whose value is known."""
        self._values[name] = value

    def knows(self, name: str) -> bool:
        """Whether the procedure itself already uses this name."""
        return name in self._values or name in self._faulty

    def spoil(self, name: str) -> None:
        """A name whose own text is at fault: already reported, so its users stay silent."""
        self._faulty.add(name)

    def inner(self, values: Mapping[str, Value]) -> "Scope":
        """The same with loop variables added."""
        scope = Scope(self._cards)
        scope._faulty = self._faulty
        scope._values = {**self._values, **values}
        return scope

    def lookup(self, name: str) -> Value:
        """The value of a name. Raises `ArithmeticFault`, and `AlreadyReported` where its own text is at fault."""
        if name in self._values:
            return self._values[name]
        if name in self._faulty:
            raise AlreadyReported(name)
        if name.startswith(_PAIRING):
            return self._pairing(name)
        if name.startswith("bench."):
            return self._bench(name)
        raise ArithmeticFault(f"uses the unknown name {name!r}", self._suggest(name))

    def _pairing(self, name: str) -> Value:
        unit = PAIRING_UNITS.get(name)
        if self._cards is not None and name in self._cards:
            quantity = self._cards[name]
            return Value(
                quantity.value, dimension_of(quantity.unit), "number" if quantity.unit == "1" else ""
            )
        if unit is None:
            raise ArithmeticFault(f"uses the unknown pairing value {name!r}", _near(name, PAIRING_UNITS))
        if self._cards is None:
            return Value(math.nan, dimension_of(unit))
        raise ArithmeticFault(
            f"needs {name}, which the pairing card does not give", "add it to the pairing card"
        )

    def _bench(self, name: str) -> Value:
        if self._cards is None:
            return Value(math.nan, None)
        if name in self._cards:
            quantity = self._cards[name]
            return Value(
                quantity.value, dimension_of(quantity.unit), "number" if quantity.unit == "1" else ""
            )
        raise ArithmeticFault(
            f"needs {name}, which the bench card does not give", "add it under [values] of the bench card"
        )

    def _suggest(self, name: str) -> str:
        return _near(name, [*self._values, *PAIRING_UNITS], shown=self._values)


class AlreadyReported(Exception):  # noqa: N818 - it only ends the work on one value
    """A value uses a name that is itself at fault."""


def in_order(nodes: Mapping[str, Node]) -> tuple[list[str], list[list[str]]]:
    """The named values so that each comes after those that it uses, and every circle among them (`["a", "b", "a"]`).

    Walks with a stack of its own: a long chain of names must not exhaust Python's.
    """
    ordered: list[str] = []
    circles: dict[frozenset[str], list[str]] = {}
    done: set[str] = set()
    for start in nodes:
        if start in done:
            continue
        trail, waiting = [start], [_uses(nodes, start)]
        while trail:
            if not waiting[-1]:
                waiting.pop()
                done.add(trail[-1])
                ordered.append(trail.pop())
                continue
            following = waiting[-1].pop()
            if following in trail:
                circle = [*trail[trail.index(following) :], following]
                circles.setdefault(frozenset(circle), circle)
            elif following not in done:
                trail.append(following)
                waiting.append(_uses(nodes, following))
    return ordered, list(circles.values())


def _uses(nodes: Mapping[str, Node], name: str) -> list[str]:
    return [used for used in dict.fromkeys(names(nodes[name])) if used in nodes]


def _near(name: str, known: Iterable[str], shown: Iterable[str] | None = None) -> str:
    """A did-you-mean, or what there is."""
    known = list(known)
    near = difflib.get_close_matches(name, known, 1, 0.6)
    if near:
        return f"did you mean {near[0]!r}?"
    listed = list(shown) if shown is not None else known
    return (
        "known names: " + ", ".join(sorted(listed)) if listed else "define it under [parameters] or [values]"
    )


def did_you_mean(name: str, known: Iterable[str], kind: str) -> str:
    """The mend for an unknown role, channel, measure or parameter."""
    known = sorted(known)
    near = difflib.get_close_matches(name, known, 1, 0.6)
    if near:
        return f"did you mean {near[0]!r}?"
    return f"{kind}: {', '.join(known)}" if known else f"there are no {kind}"
