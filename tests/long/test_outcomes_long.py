"""Every cell of the guide's page of outcomes, run again; and the sound pairings with further seeds."""

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "engine"))

from outcome_table import CATCHES, PAGE, SETTINGS, SOUND, outcome, procedures, proofs
from test_outcomes import SHIPPED, kept, numberless


@pytest.mark.parametrize("pairing", SHIPPED)
@pytest.mark.parametrize("procedure", procedures())
def test_the_cell_is_as_kept(procedure: str, pairing: str, tmp_path: Path) -> None:
    came = outcome(procedure, pairing, tmp_path)
    assert numberless(came.cell()) == numberless(kept()[procedure, pairing])


@pytest.mark.parametrize("seed", range(2, 7))
@pytest.mark.parametrize("pairing", SOUND)
@pytest.mark.parametrize("procedure", [*procedures(), "proof"])
def test_a_sound_pairing_passes_with_any_seed(
    procedure: str, pairing: str, seed: int, tmp_path: Path
) -> None:
    name = proofs(pairing)[0] if procedure == "proof" else procedure
    came = outcome(name, pairing, tmp_path, seed=seed)
    assert came.exit == 0, came.cell()


@pytest.mark.parametrize("seed", range(2, 7))
@pytest.mark.parametrize("pairing", CATCHES)
def test_a_weak_pairing_is_caught_with_any_seed(pairing: str, seed: int, tmp_path: Path) -> None:
    assert outcome(CATCHES[pairing], pairing, tmp_path, seed=seed).exit in (1, 4)


@pytest.mark.parametrize("case", SETTINGS)
def test_what_a_setting_changes(case: tuple[str, str, dict[str, str], str], tmp_path: Path) -> None:
    procedure, pairing, settings, _ = case
    said = ", ".join(f"`{name}` {value}" for name, value in settings.items())
    row = f"| `{procedure}` | `{pairing}` | {said} | {outcome(procedure, pairing, tmp_path, **settings).cell()} |"
    assert row in PAGE.read_text(encoding="utf-8")
