"""A record against a baseline: what moved beyond uncertainty and repeatability, what changed, and a verdict on it."""

from benchrunner.record.compare.comparison import Comparison, compare
from benchrunner.record.compare.rows import Row
from benchrunner.record.compare.shift import CANNOT_TELL, IMPROVED, NO_CHANGE, WORSE, Shift, judge_shift

__all__ = [
    "CANNOT_TELL",
    "IMPROVED",
    "NO_CHANGE",
    "WORSE",
    "Comparison",
    "Row",
    "Shift",
    "compare",
    "judge_shift",
]
