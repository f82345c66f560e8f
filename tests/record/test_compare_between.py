"""An extreme of polled readings that leaps and decays is not told from chance by one run each; a slow course is."""

from types import SimpleNamespace
from typing import Any

import pandas as pd
import pytest

from benchrunner.record.compare.between import missed_between
from benchrunner.record.compare.rows import _unless_between
from benchrunner.record.compare.shift import CANNOT_TELL, IMPROVED, NO_CHANGE, WORSE, Side, judge_shift

# charge current at a load rejection, as two seeds of one pairing gave it on the simulated bench: the meter of the first
# run caught the instant after the drop, that of the second did not
CAUGHT = [-3.26, -3.26, 82.0, 81.36, 81.56, 81.56]
MISSED = [73.57, 81.36, 81.54, 81.53, 81.53, 81.51]


def run(values: list[float], measure: str = "maximum") -> tuple[Any, dict[str, Any]]:
    frame = pd.DataFrame(
        {
            "time": [k / 10 for k in range(len(values))],
            "channel": "battery.current",
            "value": values,
            "repeat": False,
        }
    )
    at = values.index(max(values)) / 10
    return SimpleNamespace(readings=frame), {"measure": measure, "of": "battery.current", "taken": at}


def shifted(now: list[float], before: list[float], measure: str = "maximum") -> str:
    result = judge_shift(
        Side((max(now),), 0.082, "pass"), Side((max(before),), 0.082, "pass"), None, 150.0, alarm=0.05 / 19
    )
    assert result.verdict in (WORSE, IMPROVED)
    return _unless_between(result, [run(now, measure)], [run(before, measure)]).verdict


def test_how_far_an_extreme_stands_out() -> None:
    assert missed_between(*run(CAUGHT)) == pytest.approx(0.64)
    assert missed_between(*run(MISSED)) == pytest.approx(0.01)
    assert missed_between(*run(CAUGHT, "mean")) == 0.0
    assert missed_between(*run([81.5])) == 0.0


def test_a_reading_said_twice_is_no_neighbour() -> None:
    record, facts = run([1.0, 5.0, 5.0, 3.0])
    record.readings["repeat"] = [False, False, True, False]
    assert missed_between(record, facts) == pytest.approx(2.0)


def test_an_extreme_that_one_run_missed_is_not_called_worse_or_improved() -> None:
    assert shifted(CAUGHT, MISSED) == CANNOT_TELL
    assert shifted(MISSED, CAUGHT) == CANNOT_TELL


def test_what_moved_further_or_is_no_extreme_is_told() -> None:
    assert shifted([v + 2 for v in CAUGHT], MISSED) == WORSE
    assert shifted(MISSED, [v + 2 for v in CAUGHT]) == IMPROVED
    assert shifted(CAUGHT, MISSED, "mean") == WORSE
    assert shifted([v + 1 for v in MISSED], MISSED) == WORSE


def test_repeats_decide_where_there_are_any() -> None:
    before = Side((81.54, 81.56, 81.55, 81.58), 0.082, "pass")
    result = judge_shift(Side((82.3,), 0.082, "pass"), before, None, 150.0, same_instruments=True)
    assert result.verdict == WORSE
    assert _unless_between(result, [run(CAUGHT)], 4 * [run(CAUGHT)]).verdict == WORSE
    still = judge_shift(Side((81.55,), 0.082, "pass"), before, None, 150.0, same_instruments=True)
    assert _unless_between(still, [run(CAUGHT)], 4 * [run(CAUGHT)]).verdict == NO_CHANGE
