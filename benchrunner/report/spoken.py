"""Channels, parameters and the procedure's arithmetic in words, for who reads a summary and not the cards.

The technical names stay on the pages of detail, where they lead back to the cards and the readings.
"""

import re
from collections.abc import Callable, Iterable, Mapping

SPOKEN = {
    "pv": "PV", "dc": "DC", "ac": "AC", "l1": "L1", "l2": "L2", "l3": "L3", "soc": "state of charge",
}  # fmt: skip
WHOLE = {
    "cell_voltage_max": "highest cell voltage",
    "cell_voltage_min": "lowest cell voltage",
    "closed": "switch position",
}
UNNAMED = frozenset({"relays"})  # a role whose name says nothing beside the relay's own
_BY_U = re.compile(r"by U = (?P<u>[^;,]+?) or more")


def words(name: str) -> str:
    """`pv_contactor` as `PV contactor`."""
    return " ".join(f"({p})" if p.isdigit() else SPOKEN.get(p, p) for p in name.split("_"))


def channel(name: str) -> str:
    """`battery.cell_voltage_max` as `battery highest cell voltage`."""
    role, _, quantity = name.partition(".")
    said = WHOLE.get(quantity) or words(quantity)
    return said if role in UNNAMED else f"{words(role)} {said}".strip()


def capital(text: str) -> str:
    """The same with its first letter large."""
    return text[:1].upper() + text[1:]


def quantities(text: str) -> str:
    """An instrument's accuracy with each quantity in words: `soc 1 %; cell_voltage_max 5 mV`.

    What is stated of a state of charge itself, not of the reading, is in percentage points.
    """
    text = re.sub(r"(?<![\w.])soc [^;]*", lambda f: re.sub(r"%(?! of reading)", "% points", f[0]), text)
    return re.sub(
        r"(?<![\w.])(?:soc|[a-z]+(?:_[a-z0-9]+)+)(?![\w.])", lambda f: WHOLE.get(f[0]) or words(f[0]), text
    )


def _always(said: str) -> Callable[[re.Match[str]], str]:
    """What `re.sub` puts in as it stands, backslashes and all."""
    return lambda _: said


def in_words(text: str, channels: Iterable[str]) -> str:
    """A sentence of the program with each channel's name said in words, and U by its name."""
    for name in sorted(set(channels), key=len, reverse=True):
        if name in text:
            text = re.sub(rf"(?<![\w.]){re.escape(name)}(?!\w|\.\w)", _always(channel(name)), text)
    return _BY_U.sub(r"by more than the measurement uncertainty of \g<u>", text)


def limit_words(text: str, named: Mapping[str, str], percent: bool = False) -> str:
    """A limit as the procedure writes it, with the cards' figures in words: `120 % of battery inverter rated voltage`.

    `named`: the procedure's own names (its values with what they stand for, its parameters in words). `percent`: of a value
    in per cent, to which per cent are added as percentage points.
    """
    if percent:
        text = re.sub(r"(?<=[\w)] )([+-] [0-9.]+ %)(?! ?[*/])", r"\1 points", text)
    for name in sorted(named, key=len, reverse=True):
        text = re.sub(rf"(?<![\w.]){re.escape(name)}(?![\w.])", _always(named[name]), text)
    text = re.sub(
        r"\bpairing\.(?P<path>[a-z0-9_]+(?:\.[a-z0-9_]+)*)",
        lambda found: " ".join(words(part) for part in found["path"].split(".")),
        text,
    )
    return re.sub(r"(?<![\w)])-(?=[0-9])", "\u2212", text.replace(" * ", " \u00d7 "))
