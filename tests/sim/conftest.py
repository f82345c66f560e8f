"""What the plant's tests share: the pairing cards, varied cards, and a recording of rows."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from benchrunner.cards.pairing import PairingCard, read_pairing
from benchrunner.data import find
from benchrunner.sim.plant import Plant

VECTORS = Path(__file__).parent.parent / "vectors"


@pytest.fixture(scope="session")
def card() -> Callable[..., PairingCard]:
    """A shipped card by name, with changes: `card("tarn6-corrie5", pv_inverter={"response_time": 5.0})`."""

    def get(name: str = "tarn6-corrie5", **changes: dict[str, Any]) -> PairingCard:
        read = read_pairing(find(name, "resources", "pairings"))
        return read.model_copy(
            update={part: getattr(read, part).model_copy(update=new) for part, new in changes.items()}
        )

    return get


@pytest.fixture(scope="session")
def record() -> Callable[..., tuple[np.ndarray, dict[str, np.ndarray]]]:
    """Advance a plant to `until` and give times and every tap on the internal grid from where it stood."""

    def run(plant: Plant, until: float) -> tuple[np.ndarray, dict[str, np.ndarray]]:
        times, rows = [], []
        while plant.now < until - 1e-9:
            since = plant.now
            plant.advance(min(until, since + 15.0))
            t, r = plant.rows(since + plant.step / 2, plant.now)
            times.append(t)
            rows.append(r)
        table = np.concatenate(rows)
        return np.concatenate(times), {tap: table[:, k] for k, tap in enumerate(plant.taps)}

    return run


@pytest.fixture(scope="session")
def vectors() -> Callable[[str], dict[str, dict[str, Any]]]:
    """Published check values of a topic, by id."""

    def read(topic: str) -> dict[str, dict[str, Any]]:
        rows = json.loads((VECTORS / topic / f"{topic}.json").read_text(encoding="utf-8"))
        return {row["id"]: row for row in rows}

    return read
