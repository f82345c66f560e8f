"""Settings of a source or load that stand beside its main one, each with a command and a query of its own."""

from collections.abc import Callable, Iterable, Mapping
from functools import partial

from benchrunner.sim.emulators.metering import Plant
from benchrunner.sim.emulators.parameters import Number
from benchrunner.sim.emulators.scpi import Command

# header -> setting of the plant, range, unit, places behind the point
Beside = Mapping[str, tuple[str, float, float, str, int]]


def commands(beside: Beside, plant: Plant, press: Callable[[str, float], None]) -> Iterable[Command]:
    """`[SOURce]:HEADER <value>` presses the setting, rounded to its places; the query gives what the plant holds."""
    for header, (setting, low, high, unit, places) in beside.items():
        told = partial(_told, press, setting, places)
        yield Command(f"[SOURce]:{header}", told, Number(low=low, high=high, unit=unit))
        yield Command(f"[SOURce]:{header}?", partial(_asked, plant, setting, places))


def _told(press: Callable[[str, float], None], setting: str, places: int, value: float) -> None:
    press(setting, round(value, places))


def _asked(plant: Plant, setting: str, places: int) -> str:
    return f"{plant.setting(setting):.{places}f}"
