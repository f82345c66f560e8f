"""Every fault of every instrument at every moment of a run: some 850 runs, half an hour. Prints what they came to."""

import sys
from collections import Counter
from pathlib import Path
from typing import Any

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "engine"))

from fault_matrix import CARD, KINDS, assert_rule, every_case, honest_checks, run_card


@pytest.fixture(scope="session")
def honest(tmp_path_factory: pytest.TempPathFactory) -> dict[str, dict[str, Any]]:
    return honest_checks(run_card(CARD, tmp_path_factory.mktemp("honest")))


@pytest.mark.parametrize("instrument", KINDS)
def test_the_rule_holds(
    instrument: str, honest: dict[str, dict[str, Any]], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    counts: Counter[str] = Counter()
    broken: list[str] = []
    cases = [case for case in every_case() if case.instrument == instrument]
    for number, case in enumerate(cases):
        try:
            word = assert_rule(case, run_card(case.card(), tmp_path / str(case)), honest, number % 8 == 0)
        except AssertionError as error:
            word = "BROKEN"
            broken.append(f"{case}: {str(error).splitlines()[0][:200]}")
        counts[word] += 1
        with capsys.disabled():
            print(f"{case}: {word}", flush=True)
    with capsys.disabled():
        print(f"{instrument}: {len(cases)} runs, {dict(counts)}", *broken, sep="\n  ", flush=True)
    assert not broken
