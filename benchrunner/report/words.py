"""Numbers and states in words for people: values with their uncertainty, limits, margins, durations."""

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, TypeGuard

from benchrunner import units
from benchrunner.judge.kinds import kind

CAUTION = (
    "This program runs and records tests. It does not decide compliance with any code or standard. The installation "
    "rules in force, the network operator, the authority having jurisdiction and the makers' instructions take "
    "precedence. Limits shown are those entered by the laboratory. Work only by qualified persons under the site's "
    "safety rules. The program's stop is not an emergency stop."
)
ACCREDITED = "Not an accredited result unless stated by the laboratory."
ITEMS = "The results relate only to the items tested. Not to be reproduced except in full."
MINUS, DASH = "\u2212", "\u2013"
SIMULATED = "SIMULATED BENCH: not evidence about any real equipment"
IMPORTED = "IMPORTED from another logger's file: not measured by us"
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
POINTS = "% points"  # a difference of two percentages: in tables so, in sentences in full
POINTS_IN_FULL = "percentage points"
POINTS_SAID = 'Where a table says "% points" it means percentage points, the difference of two percentages, not a share of the value.'
FIXED = "Rule, limits and the digest of the procedure were fixed before anything was measured."
COURSE = "From the first step to the last; the numbers at the top are the steps listed below."
UNJUDGED = "No decision rule was applied and no uncertainty is stated: the readings were imported, and nothing was judged."
SENSE_IMPORTED = (
    "Nothing was judged: these readings come from another logger's file, and show neither conformity nor the lack of it. "
    "What to do: take them for comparison only; whoever measured them answers for their accuracy."
)
NO_CAUTIONS_IMPORTED = "Imported: the cautions of the test itself are not known to this program."
MONTHS = ("January", "February", "March", "April", "May", "June", "July", "August", "September", "October", "November",
          "December")  # fmt: skip
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
    "import": "Imported from another logger's file, not measured by us; nothing was judged.",
}
NEXT = {
    "pass": "What to do: read the cautions and what is said to be not stated, then have the report authorised.",
    "fail": "What to do: do not use this pairing with these settings in the way tested; see the failed checks, change what "
    "they point at, and test again.",
    "inconclusive": "What to do: measure again with less uncertainty or more data; until then nothing is shown.",
    "": "What to do: find and clear the cause given above before anything is run again; nothing is shown until then.",
}
SAFE = {
    "confirmed": "Sources off, confirmed by meter. NOT proved dead: battery and PV terminals stay live.",
    "not confirmed": "The safe state could NOT be confirmed.",
    "not needed": "Nothing had been switched on.",
    "not known": "Not known: this program did not drive the bench.",
}
NO_SAFE_ORDER = {
    "not needed": "Nothing had been switched on, so no order of the safe order was given.",
    "not known": "Not known: this program did not drive the bench.",
    "gap": "No order of the safe order is on record: the journal breaks off, and whether the bench was made safe afterwards is NOT known from it.",
}


def value(number: Any, unit: str, of: str = "", digits: int = 4) -> str:
    """A number for people, on its own."""
    return shown(float(number), unit, digits, of) if is_number(number) else "no value"


def together(numbers: list[float], unit: str, of: str = "", digits: int = 3) -> str:
    """Numbers in one unit and to one place: `0.00 to 3.02 kW`, not `-5 W to 3.02 kW`."""
    word, factor, offset, _ = _common(unit, of, numbers)
    moved = [n * factor + offset for n in numbers]
    largest = max((abs(m) for m in moved), default=0.0)
    places = min(max(digits - 1 - math.floor(math.log10(largest)), 0), 6) if largest > 0 else 0
    said = " to ".join(f"{round(m, places) + 0.0:.{places}f}" for m in moved).replace("-", MINUS)
    return f"{said} {word}".rstrip()


@dataclass(frozen=True)
class Figures:
    """A check's numbers in one unit and to one place, so that they can be held against each other at a glance."""

    value: str
    uncertainty: str
    limit: str
    margin: str
    in_u: str  # the margin in multiples of the uncertainty


def figures(check: Mapping[str, Any]) -> Figures:
    """Value to the place of the second digit of its uncertainty (JCGM 100, 7.2.6); limit, U and margin in the same unit."""
    unit, of = str(check.get("unit", "1")), str(check.get("of") or "")
    number, low, high = check.get("value"), check.get("low"), check.get("high")
    u, margin = check.get("uncertainty"), check.get("margin")
    word, factor, offset, apart = _common(
        unit, of, [n for n in (number, low, high) if is_number(n)], str(check.get("measure") or "")
    )
    places = _places(
        [n * factor for n in (u,) if is_number(n)], [n * factor for n in (number, high, low) if is_number(n)]
    )

    def text(n: float, decimals: int, word: str, sign: str = "") -> str:
        return f"{n:{sign}.{decimals}f}".replace("-", MINUS) + (f" {word}" if word else "")

    def limit_text(n: float) -> str:
        moved = n * factor + offset
        six = (
            5 - math.floor(math.log10(abs(moved))) if moved else 0
        )  # digits; a limit is not rounded to the value's
        plain = f"{moved:.{min(max(places, six, 0), 9)}f}"
        plain = plain.rstrip("0").rstrip(".") if "." in plain else plain
        return plain.replace("-", MINUS) + (f" {word}" if word else "")

    if is_number(low) and is_number(high):
        limit = f"{limit_text(low)} to {limit_text(high)}"
    else:
        limit = (
            f"at most {limit_text(high)}"
            if is_number(high)
            else f"at least {limit_text(low)}"
            if is_number(low)
            else "no limit"
        )
    in_u = ""
    if is_number(margin) and is_number(u) and u > 0:
        times = margin / u
        in_u = f"{times:+.1f} U" if abs(times) < 100 else "> +100 U" if times > 0 else "< -100 U"
    return Figures(
        text(number * factor + offset, places, word) if is_number(number) else "no value",
        text(u * factor, places, apart) if is_number(u) else "not evaluated" if is_number(number) else DASH,
        limit,
        text(margin * factor, places, apart, "+") if is_number(margin) else DASH,
        in_u.replace("-", MINUS),
    )


def _common(unit: str, of: str, numbers: list[float], measure: str = "") -> tuple[str, float, float, str]:
    """Word, factor and offset by which all of a check's numbers are shown, the ones that suit the largest of them; and
    the word of margin and uncertainty, which are differences."""
    largest = max((abs(n) for n in numbers), default=0.0)
    what = kind(measure)
    if unit == "1":
        if what == "count" or not of.endswith(".soc"):
            return "", 1.0, 0.0, ""
        return POINTS if what == "difference" else "%", 100.0, 0.0, POINTS
    if unit == "K" and of and what == "level":
        return "\u00b0C", 1.0, -273.15, "\u00b0C"
    try:
        word, factor = units.scale(largest, unit)
    except ValueError:
        word, factor = unit, 1.0
    return word, factor, 0.0, word


def _places(uncertainties: list[float], others: list[float]) -> int:
    """Decimals: two digits of the uncertainty, or four digits of the largest number where there is none."""
    if uncertainties and uncertainties[0] > 0:
        return min(max(1 - math.floor(math.log10(uncertainties[0])), 0), 6)
    largest = max((abs(n) for n in others), default=0.0)
    if all(n == round(n) for n in others):
        return 0
    return min(max(3 - math.floor(math.log10(largest)), 0), 6) if largest > 0 else 0


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
    if unit == "K" and of:
        return f"{number - 273.15:.1f} \u00b0C"
    try:
        return units.show(number, unit, digits)
    except ValueError:
        return f"{number:.{digits}g} {unit}"


_NUMBER = r"-?[0-9]+(?:\.[0-9]+)?"
_JUDGED = re.compile(  # as `judge.rules` gives its reasons
    rf"(?P<said>{_NUMBER} (?:lies between {_NUMBER} and {_NUMBER}|is (?:not )?(?:above|below) {_NUMBER}))"
    rf"(?P<by>, (?:by|but|but by less than) U = {_NUMBER}(?: [a-z ]+)?)?(?=;|$)"
)


def reason(check: Mapping[str, Any]) -> str:
    """Why a check was judged so, as its record says it; where the table says its numbers in per cent, so does this."""
    text = str(check.get("reason") or "")
    word, factor, _, apart = _common(
        str(check.get("unit", "1")), str(check.get("of") or ""), [], str(check.get("measure") or "")
    )
    found = _JUDGED.match(text) if apart == POINTS else None
    if found is None:
        return text

    def in_percent(part: str, unit: str) -> str:
        return re.sub(
            _NUMBER, lambda n: f"{float(n[0]) * factor:.6g} {unit.replace(POINTS, POINTS_IN_FULL)}", part
        )

    return f"{in_percent(found['said'], word)}{in_percent(found['by'] or '', apart)}{text[found.end() :]}"


def limit(low: Any, high: Any, unit: str, of: str = "") -> str:
    """`218.5 V to 241.5 V`, `at most 58.4 V`, `at least 2 s`."""
    return figures({"low": low, "high": high, "unit": unit, "of": of}).limit


def bound(number: float, unit: str, of: str = "") -> str:
    """A set value as it was meant: up to six digits, without idle zeros."""
    text = shown(float(number), unit, 6, of)
    figure, _, rest = text.partition(" ")
    if "." in figure and "e" not in figure:
        figure = figure.rstrip("0").rstrip(".")
    return f"{figure} {rest}".rstrip()


def span(seconds: float) -> str:
    """A duration: `42 s`, `3 min 20 s`, `2 h 05 min`."""
    if seconds < 120:
        return f"{seconds:.1f} s" if seconds < 10 else f"{seconds:.0f} s"
    if seconds < 7200:
        return f"{int(seconds // 60)} min {int(seconds % 60):02d} s"
    return f"{int(seconds // 3600)} h {int(seconds % 3600 // 60):02d} min"


def day(stamp: object) -> str:
    """`25 November 2026, 21:12 UTC` from `2026-11-25T21:12:32.211Z`; what is no such time stays as it is."""
    found = re.fullmatch(r"(\d{4})-(\d{2})-(\d{2})T(\d{2}:\d{2}):\d{2}(?:\.\d+)?Z", str(stamp))
    if found is None or not 1 <= int(found[2]) <= 12:
        return str(stamp)
    return f"{int(found[3])} {MONTHS[int(found[2]) - 1]} {found[1]}, {found[4]} UTC"


def is_number(number: Any) -> TypeGuard[float]:
    """A finite number, and no yes or no."""
    return isinstance(number, int | float) and not isinstance(number, bool) and math.isfinite(number)


def verdict_sentence(checks: list[dict[str, Any]]) -> str:
    """`6 checks: 5 pass, 1 inconclusive.`"""
    order = ("fail", "inconclusive", "pass", "not judged", "not applicable")
    counts = {word: sum(1 for c in checks if c.get("verdict") == word) for word in order}
    words = ", ".join(f"{count} {word}" for word, count in counts.items() if count)
    return f"{len(checks)} check{'' if len(checks) == 1 else 's'}: {words}." if checks else "No checks."
