"""Shipped procedures on shipped pairings: the sound pass all of them, each weak one is caught by the one it is about.

The guide's page holds every cell; here a sample of the cells is run again, in `tests/long` all of them.
"""

import random
import re
from pathlib import Path

import pytest
from outcome_table import CATCHES, PAGE, ROOT, SOUND, SPECIAL, outcome, procedures, proofs

SHIPPED = sorted(path.stem for path in (ROOT / "resources" / "pairings").glob("*.toml"))


def kept() -> dict[tuple[str, str], str]:
    """The kept page: (procedure, pairing) -> its cell; what a setting changes is left out."""
    cells: dict[tuple[str, str], str] = {}
    pairings: list[str] = []
    for line in PAGE.read_text(encoding="utf-8").split("## What a setting changes")[0].splitlines():
        if line.startswith("### "):
            pairings = [line.strip("# `")]
        elif line.startswith("| procedure | `"):
            pairings = re.findall(r"`([^`]+)`", line)
        elif line.startswith("| `"):
            first, *rest = (part.strip() for part in line.strip("| ").split(" | "))
            cells |= {(first.strip("`"), pairing): cell for pairing, cell in zip(pairings, rest, strict=True)}
    return cells


def numberless(cell: str) -> str:
    """What a cell says, without the figures, whose last digits are a machine's own."""
    return re.sub(r"-?[0-9][0-9.]*", "#", cell)


def sound_cells() -> list[tuple[str, str]]:
    return [(name, pairing) for pairing in SOUND for name in (*procedures(), *proofs(pairing))]


def test_every_shipped_pairing_has_its_place() -> None:
    assert sorted((*SOUND, *SPECIAL, *CATCHES)) == SHIPPED


def test_the_page_holds_every_cell() -> None:
    assert set(kept()) == {(name, pairing) for name in procedures() for pairing in SHIPPED}


def test_the_sound_pass_everything_and_each_weak_one_is_caught() -> None:
    cells = kept()
    assert {cells[name, pairing] for name in procedures() for pairing in SOUND} == {"pass"}
    for pairing, catcher in CATCHES.items():
        assert re.match(r"\*\*(fail|ended early)\*\*: ", cells[catcher, pairing]), (pairing, catcher)


@pytest.mark.parametrize(("procedure", "pairing"), random.Random(4).sample(sound_cells(), 6))
def test_a_sound_pairing_passes_with_another_seed(procedure: str, pairing: str, tmp_path: Path) -> None:
    came = outcome(procedure, pairing, tmp_path, seed=7)
    assert came.exit == 0, came.cell()


@pytest.mark.parametrize("pairing", CATCHES)
def test_a_weak_pairing_is_caught(pairing: str, tmp_path: Path) -> None:
    came = outcome(CATCHES[pairing], pairing, tmp_path)
    assert numberless(came.cell()) == numberless(kept()[CATCHES[pairing], pairing])
    assert came.exit in (1, 4)


def test_a_surplus_at_the_loss_of_the_grid_lifts_the_bus(tmp_path: Path) -> None:
    """The bus swells on one phase as on three, and fails for that alone. IEEE 1547-2018, 7.4.1: at most 138 % of nominal, for one
    cycle."""
    for pairing, load in (("tarn6-corrie5", "1 kW"), ("fell15-ridge12", "3 kW")):
        came = outcome("grid-loss", pairing, tmp_path, load=load, irradiance="400 W/m^2")
        assert (came.exit, came.not_passed) == (1, ("swell",))
        worst = max((c for c in came.checks if c["id"] == "swell"), key=lambda c: c["value"])
        assert 1.20 * 230.0 < worst["value"] < 1.38 * 230.0 + worst["uncertainty"]
