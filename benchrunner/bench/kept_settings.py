"""The settings that inverters and battery monitors hold, read before and after a run: what changed is flagged.

An inverter whose curve, limit or firmware is another at the end than at the beginning was not the one that was tested.
Read are the common model (firmware), the ratings and the settings of the SunSpec device: models 120 to 124 and 702 to
712 but for what counts down or measures. Nothing is written.
"""

import re
from collections.abc import Mapping
from typing import Any

from benchrunner.bench import sunspec
from benchrunner.errors import LinkError

CLASSES = ("inverter", "battery_monitor")
MODELS = (1, 120, 121, 123, 124, *range(702, 713))
MOVES = re.compile(
    r"(Rem|Rslt|Result|ChaState|StorAval|InBatV|ChaSt|AntiIslSt|ES|Tms|_SF)$"
)  # measured, or counting down
MOST_SAID = 20  # differences told one by one

Settings = dict[str, dict[str, Any]]  # instrument -> "model.point" -> value


def read_settings(instruments: Mapping[str, Any]) -> tuple[Settings, list[str]]:
    """What they hold, and who could not be asked. Never raises: a run is not lost over it."""
    found: Settings = {}
    silent: list[str] = []
    for name, instrument in instruments.items():
        if instrument.driver.klass not in CLASSES or instrument.driver.link.kind != "modbus":
            continue
        try:
            found[name] = _of_one(instrument)
        except (LinkError, ValueError, KeyError, IndexError) as error:
            what = error.problem.what if isinstance(error, LinkError) else str(error)
            silent.append(f"{name}: its settings could not be read: {what[:200]}")
    return found, silent


def _of_one(instrument: Any) -> dict[str, Any]:
    link = instrument.link
    held: dict[str, Any] = {}
    for found in sunspec.chain(link, sunspec.base_of(link, instrument.driver.link.base)):
        if found.model in MODELS:
            for point, value in sunspec.read_model(link, found).items():
                if not MOVES.search(point):
                    held[f"{found.model}.{point}"] = value
    return held


def differences(before: Settings, after: Settings) -> list[str]:
    """What is another after the run than before it, in words; an instrument that was read once only is not compared."""
    said = []
    for name in before:
        if name not in after:
            continue
        one, other = before[name], after[name]
        for point in sorted(one.keys() | other.keys()):
            if one.get(point, ...) != other.get(point, ...):
                said.append(
                    f"{name}: setting {point} was {_shown(one, point)} before the run and is {_shown(other, point)} after it"
                )
    more = len(said) - MOST_SAID
    return said[:MOST_SAID] + ([f"{more} more settings differ"] if more > 0 else [])


def _shown(held: dict[str, Any], point: str) -> str:
    if point not in held:
        return "not there"
    value = held[point]
    return "not implemented" if value is None else str(value)[:60]
