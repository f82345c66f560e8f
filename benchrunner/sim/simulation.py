"""Owns `simulate`: a pairing, a list of orders with their times, a table of what every tap read."""

from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from benchrunner.sim.plant import Plant

if TYPE_CHECKING:
    import pandas

    from benchrunner.cards.pairing import PairingCard


def simulate(
    pairing: "PairingCard | Path | str",
    events: Iterable[tuple[float, str, float]] = (),
    until: float = 60.0,
    step: float = 0.1,
    *,
    start: Mapping[str, float] | None = None,
    seed: int = 1,
    profile: "Path | str | None" = None,
) -> "pandas.DataFrame":
    """Simulate a pairing without any bench.

    `pairing`: a card, or the path or name of one. `events`: orders as (time in s, setting, value in SI), for example
    `(10.0, "grid.closed", 0)`. The table has one row every `step` seconds from 0 to `until` (index `time`, s) and
    one column for each tap, SI units, the project's signs; what happened stands in `.attrs["events"]`. `profile`: a CSV
    file of settings over time (`sim.profile`), its values beside the `events`.
    Raises `Refused` for an order that the plant does not know, `ValueError` for a step of no length.
    """
    import pandas as pd

    from benchrunner import data
    from benchrunner.cards.pairing import read_pairing

    if not step > 0.0 or not until >= 0.0:
        raise ValueError("step must be above 0 s and until at least 0 s")
    if isinstance(pairing, (str, Path)):
        pairing = read_pairing(data.find(str(pairing), "resources", "pairings"))
    plant = Plant(pairing, seed=seed, start=start)
    orders = list(events)
    if profile is not None:
        from benchrunner.sim.profile import read_profile

        orders += read_profile(profile).orders()
    orders.sort(key=lambda order: order[0])
    times = np.arange(0, int(np.floor(until / step + 1e-9)) + 1) * step
    rows: list[list[float]] = []
    k = 0
    for time in times:
        while k < len(orders) and orders[k][0] <= time:
            plant.advance(orders[k][0])
            plant.set(orders[k][1], orders[k][2])
            k += 1
        plant.advance(float(time))
        rows.append(list(plant.values().values()))
    frame = pd.DataFrame(np.array(rows), index=pd.Index(times, name="time"), columns=list(plant.taps))
    happened: list[dict[str, Any]] = [{"t": e.t, "kind": e.kind, **e.data} for e in plant.events]
    frame.attrs["events"] = happened
    return frame
