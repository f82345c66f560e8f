"""The five verdicts and which of several is the worst."""

from collections.abc import Iterable
from enum import StrEnum


class Verdict(StrEnum):
    """What a check says. `inconclusive` as in TTCN-3 (ETSI ES 201 873-1): the data cannot carry a verdict."""

    PASS = "pass"
    FAIL = "fail"
    INCONCLUSIVE = "inconclusive"
    NOT_JUDGED = "not judged"  # the run ended before
    NOT_APPLICABLE = "not applicable"


# From worst to best. What was not judged is no pass; what does not apply says nothing about the pairing.
_ORDER = (Verdict.FAIL, Verdict.INCONCLUSIVE, Verdict.NOT_JUDGED, Verdict.PASS, Verdict.NOT_APPLICABLE)


def worst(verdicts: Iterable[Verdict | str]) -> Verdict:
    """The worst of them: fail, inconclusive, not judged, pass, not applicable. Of none: not judged, never a
    pass.

    Raises `ValueError` for a word that is no verdict.
    """
    found = {Verdict(verdict) for verdict in verdicts}
    return next((verdict for verdict in _ORDER if verdict in found), Verdict.NOT_JUDGED)
