"""The simulated bench: the plant (battery, inverters, array, load, grid) and the instruments emulated on it.

`Battery`, `PvArray`, `frequency_power` and `simulate` serve without a bench, in a notebook or a test. They load
numpy, numba and pvlib when first asked for.
"""

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from benchrunner.sim.array import PvArray
    from benchrunner.sim.cell import Battery
    from benchrunner.sim.curves import FrequencyCurve, frequency_power
    from benchrunner.sim.plant import Plant
    from benchrunner.sim.simulation import simulate

_HOMES = {
    "Battery": "benchrunner.sim.cell",
    "FrequencyCurve": "benchrunner.sim.curves",
    "Plant": "benchrunner.sim.plant",
    "PvArray": "benchrunner.sim.array",
    "frequency_power": "benchrunner.sim.curves",
    "simulate": "benchrunner.sim.simulation",
}
__all__ = ["Battery", "FrequencyCurve", "Plant", "PvArray", "frequency_power", "simulate"]


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from importlib import import_module

    return getattr(import_module(_HOMES[name]), name)
