"""An extreme of polled readings that leaps and decays is not told from chance by one run each; a slow course is."""

from collections.abc import Callable
from pathlib import Path
from typing import Any
from uuid import uuid4

import pytest
import record_sample

from benchrunner.core.messages import Readings
from benchrunner.record.compare.between import missed_between
from benchrunner.record.compare.rows import _unless_between
from benchrunner.record.compare.shift import CANNOT_TELL, IMPROVED, NO_CHANGE, WORSE, Side, judge_shift
from benchrunner.record.journal import Journal
from benchrunner.record.opened import Record
from benchrunner.record.seal import seal

# charge current at a load rejection, as two seeds of one pairing gave it on the simulated bench: the meter of the first
# run caught the instant after the drop, that of the second did not
CAUGHT = [-3.26, -3.26, 82.0, 81.36, 81.56, 81.56]
MISSED = [73.57, 81.36, 81.54, 81.53, 81.53, 81.51]


Taken = tuple[Record, dict[str, Any]]


@pytest.fixture
def run(tmp_path: Path) -> Callable[..., Taken]:
    """Seals a run whose battery current is this (`held`: readings that the meter had not updated), and its largest as a check."""

    def made(values: list[float], measure: str = "maximum", held: tuple[int, ...] = ()) -> Taken:
        folder = tmp_path / uuid4().hex
        journal = Journal.create(folder, record_sample.facts())
        for k, value in enumerate(values):
            flags = 1 << 33 if k in held else 0
            journal.input(k + 1, Readings(0.1 * k, 1, 0.1 * k, 0.05, (54.0, value), flags))
        journal.event(record_sample.ENDED)
        journal.close()
        at = values.index(max(values)) / 10
        record = Record.open(seal(folder, folder / "r.bench"))
        return record, {"measure": measure, "of": "battery.current", "taken": at}

    return made


def shifted(
    run: Callable[..., Taken], now: list[float], before: list[float], measure: str = "maximum"
) -> str:
    result = judge_shift(
        Side((max(now),), 0.082, "pass"), Side((max(before),), 0.082, "pass"), None, 150.0, alarm=0.05 / 19
    )
    assert result.verdict in (WORSE, IMPROVED)
    return _unless_between(result, [run(now, measure)], [run(before, measure)]).verdict


def test_how_far_an_extreme_stands_out(run: Callable[..., Taken]) -> None:
    assert missed_between(*run(CAUGHT)) == pytest.approx(0.64)
    assert missed_between(*run(MISSED)) == pytest.approx(0.01)
    assert missed_between(*run(CAUGHT, "mean")) == 0.0
    assert missed_between(*run([81.5])) == 0.0


def test_a_reading_said_twice_is_no_neighbour(run: Callable[..., Taken]) -> None:
    assert missed_between(*run([1.0, 5.0, 5.0, 3.0], held=(2,))) == pytest.approx(2.0)
    assert missed_between(*run([1.0, 5.0, 5.0, 3.0])) == 0.0


def test_an_extreme_that_one_run_missed_is_not_called_worse_or_improved(run: Callable[..., Taken]) -> None:
    assert shifted(run, CAUGHT, MISSED) == CANNOT_TELL
    assert shifted(run, MISSED, CAUGHT) == CANNOT_TELL


def test_what_moved_further_or_is_no_extreme_is_told(run: Callable[..., Taken]) -> None:
    assert shifted(run, [v + 2 for v in CAUGHT], MISSED) == WORSE
    assert shifted(run, MISSED, [v + 2 for v in CAUGHT]) == IMPROVED
    assert shifted(run, CAUGHT, MISSED, "mean") == WORSE
    assert shifted(run, [v + 1 for v in MISSED], MISSED) == WORSE


def test_repeats_decide_where_there_are_any(run: Callable[..., Taken]) -> None:
    before = Side((81.54, 81.56, 81.55, 81.58), 0.082, "pass")
    result = judge_shift(Side((82.3,), 0.082, "pass"), before, None, 150.0, same_instruments=True)
    assert result.verdict == WORSE
    assert _unless_between(result, [run(CAUGHT)], 4 * [run(CAUGHT)]).verdict == WORSE
    still = judge_shift(Side((81.55,), 0.082, "pass"), before, None, 150.0, same_instruments=True)
    assert _unless_between(still, [run(CAUGHT)], 4 * [run(CAUGHT)]).verdict == NO_CHANGE
