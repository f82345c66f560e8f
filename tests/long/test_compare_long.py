"""How often `compare` is wrong: runs of which nothing changed but the seed, and of which the PV inverter answers more slowly.

Each seed draws other errors of the meters, other moments and points of the wave. The table of resources/guide/compare.md is what
this prints.
"""

import random
from collections import Counter
from pathlib import Path

import pytest
from test_runs_long import PROCEDURES

import benchrunner
from benchrunner import Record, data
from benchrunner.record.compare import CANNOT_TELL, IMPROVED, NO_CHANGE, WORSE, compare

RUNS, DRAWS, NEW = 16, 20, 3


def counted(verdicts: Counter[str]) -> str:
    return ", ".join(f"{verdicts[word]} {word}" for word in (NO_CHANGE, CANNOT_TELL, IMPROVED, WORSE))


@pytest.mark.parametrize("procedure", PROCEDURES)
def test_nothing_changed(procedure: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Sixteen runs; sixty comparisons of three runs with a baseline, with 0, 1, 2 and 4 repeats.

    At most 5 in 100 may be called worse. The three of a draw share their baseline and are right or wrong together: of 20 draws
    more than 5 (15 comparisons) are wrong once in 3,000 procedures (binomial, 5 %).
    """
    runs = [benchrunner.run(procedure, seed=seed, out=tmp_path) for seed in range(1, RUNS + 1)]
    draw = random.Random(3)
    for repeats in (0, 1, 2, 4):
        verdicts: Counter[str] = Counter()
        for _ in range(DRAWS):
            baseline, *others = draw.sample(runs, RUNS)
            for new in others[repeats : repeats + NEW]:
                verdicts[compare(new, baseline, others[:repeats]).verdict] += 1
        with capsys.disabled():
            print(f"\n{procedure}, {repeats} repeats: {counted(verdicts)}", flush=True)
        assert verdicts[WORSE] <= (15 if repeats else 3)


@pytest.fixture(scope="module")
def before(tmp_path_factory: pytest.TempPathFactory) -> list[Record]:
    folder = tmp_path_factory.mktemp("before")
    return [benchrunner.run("load-rejection", seed=seed, out=folder) for seed in range(1, 11)]


@pytest.mark.parametrize(("response", "found"), [("1.1 s", (0, 1)), ("1.4 s", (20, 20)), ("3 s", (20, 20))])
def test_a_slower_answer(
    response: str,
    found: tuple[int, int],
    before: list[Record],
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Ten runs of the changed pairing against two baselines, with four repeats each: a middle and a large change are always found,
    one within the scatter (a tenth of a second, polled every tenth) is not, and none is called improved.
    """
    text = (data.find("tarn6-corrie5", "resources", "pairings")).read_text(encoding="utf-8")
    assert text.count('response_time = "1 s"') == 1
    card = tmp_path / "tarn6-corrie5.toml"
    card.write_text(text.replace('response_time = "1 s"', f'response_time = "{response}"'), encoding="utf-8")
    after = [benchrunner.run("load-rejection", card, seed=seed, out=tmp_path) for seed in range(21, 31)]
    for repeats in (0, 4):
        verdicts: Counter[str] = Counter()
        for first in (0, 5):
            for new in after:
                verdicts[compare(new, before[first], before[first + 1 : first + 1 + repeats]).verdict] += 1
        with capsys.disabled():
            print(f"\nresponse_time 1 s to {response}, {repeats} repeats: {counted(verdicts)}", flush=True)
        assert verdicts[IMPROVED] == 0
        if repeats:
            assert found[0] <= verdicts[WORSE] <= found[1]
