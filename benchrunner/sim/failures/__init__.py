"""The known failures of weak pairings, each from a simulation and its counterpart that holds; the guide's page of them.

`python -m benchrunner.sim.failures --out resources/guide` writes the page and its plots. Nothing is scripted: each case
is a pairing card, a start and orders, given to `benchrunner.sim.simulate`; every figure in the text is read from what came out.
"""

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from benchrunner.sim.failures.case import Case, Course
    from benchrunner.sim.failures.cases import CASES

_HOMES = {
    "CASES": "benchrunner.sim.failures.cases",
    "Case": "benchrunner.sim.failures.case",
    "Course": "benchrunner.sim.failures.case",
}
__all__ = ["CASES", "Case", "Course"]


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from importlib import import_module

    return getattr(import_module(_HOMES[name]), name)
