"""Numbers and states in words for people: values with their uncertainty, limits, margins, durations."""

import math
from typing import Any, TypeGuard

from benchrunner import units

CAUTION = (
    "This program runs and records tests. It does not decide compliance with any code or standard. The installation "
    "rules in force, the network operator, the authority having jurisdiction and the makers' instructions take "
    "precedence. Limits shown are those entered by the laboratory. Work only by qualified persons under the site's "
    "safety rules. The program's stop is not an emergency stop."
)
ACCREDITED = "Not an accredited result unless stated by the laboratory."
ITEMS = "The results relate only to the items tested. Not to be reproduced except in full."
SIMULATED = "SIMULATED BENCH: not evidence about any real equipment"
RULES = {
    "simple": "Pass if the value lies within the limit, else fail; the uncertainty is not taken off. At the limit the "
    "risk of a false acceptance is up to 50 % (ILAC-G8:09/2019, 4.2.1).",
    "guarded": "Guard band w = U: pass if the value lies within the limit by at least the expanded uncertainty U, fail if "
    "it lies beyond by more than U, else inconclusive. Risk of a false acceptance below 2.5 % (ILAC-G8:09/2019, 4.2.2).",
}
UNCERTAINTY = (
    "U is the expanded uncertainty with k = 2 unless said otherwise (about 95 %), from the accuracy stated on the bench "
    "card, propagated as JCGM 100 says. Where it was not evaluated, the table says so."
)
ENDINGS = {
    "procedure": "The run came to its end.",
    "start": "The bench was not in the state that the procedure starts from.",
    "step": "A step did not reach its condition.",
    "guard": "A guard was crossed.",
    "stale": "A guarded channel gave no valid reading.",
    "interlock": "The interlock opened.",
    "fault": "An instrument or the program failed.",
    "operator": "The operator stopped it.",
    "crash": "The program ended before the run did.",
}
SAFE = {
    "confirmed": "Sources off, confirmed by meter. NOT proved dead: battery and PV terminals stay live.",
    "not confirmed": "The safe state could NOT be confirmed.",
    "not needed": "Nothing had been switched on.",
}


def value(number: Any, unit: str, uncertainty: Any = None, of: str = "") -> str:
    """A measured value, to the place of the second digit of its uncertainty (JCGM 100, 7.2.6)."""
    if not is_number(number):
        return "no value"
    digits = 4
    if is_number(uncertainty) and uncertainty > 0 and number:
        digits = math.floor(math.log10(abs(number))) - math.floor(math.log10(uncertainty)) + 2
    return shown(float(number), unit, min(max(digits, 2), 7), of)


def shown(number: float, unit: str, digits: int = 4, of: str = "") -> str:
    """A value with its unit; counts as counts, states of charge in per cent, temperatures in degrees Celsius."""
    if unit == "1":
        if of.endswith(".soc"):
            return units.show(number, "1", digits, percent=True)
        return (
            f"{number:.0f}"
            if number == round(number) and abs(number) < 1e6
            else units.show(number, "1", digits)
        )
    if unit == "K" and of and not of.endswith("difference"):
        return f"{number - 273.15:.1f} \u00b0C"
    try:
        return units.show(number, unit, digits)
    except ValueError:
        return f"{number:.{digits}g} {unit}"


def limit(low: Any, high: Any, unit: str, of: str = "") -> str:
    """`218.5 V to 241.5 V`, `at most 58.4 V`, `at least 2 s`."""
    if is_number(low) and is_number(high):
        return f"{bound(low, unit, of)} to {bound(high, unit, of)}"
    if is_number(high):
        return f"at most {bound(high, unit, of)}"
    if is_number(low):
        return f"at least {bound(low, unit, of)}"
    return "no limit"


def bound(number: float, unit: str, of: str = "") -> str:
    """A limit as it was meant: up to six digits, without idle zeros."""
    text = shown(float(number), unit, 6, of)
    figure, _, rest = text.partition(" ")
    if "." in figure and "e" not in figure:
        figure = figure.rstrip("0").rstrip(".")
    return f"{figure} {rest}".rstrip()


def margin(check: dict[str, Any]) -> str:
    """`+1.2 V = 9.2 U`"""
    number, u, unit = check.get("margin"), check.get("uncertainty"), str(check.get("unit", "1"))
    if not is_number(number):
        return "\u2013"
    text = ("+" if number >= 0 else "\u2212") + shown(abs(float(number)), unit, 3)
    if is_number(u) and u > 0:
        times = number / u
        text += (
            f" = {times:+.1f} U".replace("-", "\u2212")
            if abs(times) < 100
            else " > 100 U"
            if times > 0
            else " < \u2212100 U"
        )
    return text


def span(seconds: float) -> str:
    """A duration: `42 s`, `3 min 20 s`, `2 h 05 min`."""
    if seconds < 120:
        return f"{seconds:.1f} s" if seconds < 10 else f"{seconds:.0f} s"
    if seconds < 7200:
        return f"{int(seconds // 60)} min {int(seconds % 60):02d} s"
    return f"{int(seconds // 3600)} h {int(seconds % 3600 // 60):02d} min"


def is_number(number: Any) -> TypeGuard[float]:
    """A finite number, and no yes or no."""
    return isinstance(number, int | float) and not isinstance(number, bool) and math.isfinite(number)


def verdict_sentence(checks: list[dict[str, Any]]) -> str:
    """`6 checks: 5 pass, 1 inconclusive.`"""
    order = ("fail", "inconclusive", "pass", "not judged", "not applicable")
    counts = {word: sum(1 for c in checks if c.get("verdict") == word) for word in order}
    words = ", ".join(f"{count} {word}" for word, count in counts.items() if count)
    return f"{len(checks)} check{'' if len(checks) == 1 else 's'}: {words}." if checks else "No checks."
