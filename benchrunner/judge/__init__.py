"""Limits, decision rules, uncertainty budgets, verdicts. Pure: numbers in, judgements out."""

from benchrunner.judge.budget import Budget, Input, coverage_factor, type_a, type_b
from benchrunner.judge.probability import conformance_probability
from benchrunner.judge.rules import RULES, Judged, guarded_refused, judge, reading_u
from benchrunner.judge.verdicts import Verdict, worst

__all__ = [
    "RULES",
    "Budget",
    "Input",
    "Judged",
    "Verdict",
    "conformance_probability",
    "coverage_factor",
    "guarded_refused",
    "judge",
    "reading_u",
    "type_a",
    "type_b",
    "worst",
]
