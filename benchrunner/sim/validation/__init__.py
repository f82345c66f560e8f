"""The plant against the outside: closed forms, stiff solvers, other libraries, published points; a table for each part.

`benchrunner validate` runs it and writes `resources/guide/validation.md`; the tests run it too. What it compares with is
written again here, from the source named in each row, and shares no code with the kernels.
"""

from collections.abc import Callable, Iterator
from importlib import import_module

from benchrunner.sim.validation.rows import Table

PARTS = ("battery", "array", "pv_inverter", "network", "battery_inverter", "balance", "convergence", "waves")


def tables(parts: tuple[str, ...] = PARTS, told: Callable[[str], None] = lambda _: None) -> Iterator[Table]:
    """Each part's table. Raises `KeyError` for a part that there is not."""
    for part in parts:
        if part not in PARTS:
            raise KeyError(part)
        told(part)
        yield import_module(f"benchrunner.sim.validation.{part}").table()
