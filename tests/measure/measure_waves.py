"""Test waves and the published values that the measures are held against."""

import json
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


def vectors(topic: str) -> dict[str, Any]:
    """Published values of one topic, by id; each row carries its source."""
    path = Path(__file__).parents[1] / "vectors" / topic / f"{topic}.json"
    return {row["id"]: row for row in json.loads(path.read_text("utf-8"))}


def time(rate: float, seconds: float) -> Floats:
    return np.arange(round(rate * seconds)) / rate


def shape(name: str, theta: Floats) -> Floats:
    """A wave of unit peak (of the uncut sine) over the phase `theta`."""
    turn = np.mod(theta, 2 * np.pi)
    if name == "sine":
        return np.sin(theta)
    if name == "square":
        return np.where(turn < np.pi, 1.0, -1.0)
    if name == "triangle":
        return 2 / np.pi * np.arcsin(np.sin(theta))
    if name == "three-level 120 deg":
        up = (turn > np.pi / 6) & (turn < 5 * np.pi / 6)
        down = (turn > 7 * np.pi / 6) & (turn < 11 * np.pi / 6)
        return up.astype(float) - down.astype(float)
    if name == "half-wave":
        return np.maximum(np.sin(theta), 0.0)
    if name.startswith("clip "):
        level = float(name.split()[1])
        return np.clip(np.sin(theta), -level, level)
    cut = np.radians(float(name.removeprefix("cut ")))
    return np.where(np.mod(theta, np.pi) >= cut, np.sin(theta), 0.0)


def mains(theta: Floats, rms: float = 230.0) -> Floats:
    """A voltage with the harmonics that mains usually carries."""
    part = (
        np.sin(theta)
        + 0.02 * np.sin(3 * theta + 1)
        + 0.015 * np.sin(5 * theta + 2)
        + 0.01 * np.sin(7 * theta)
    )
    result: Floats = rms * np.sqrt(2) * part
    return result
