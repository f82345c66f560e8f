"""One fault in the wiring of a bench, and what all states together show: the words for people."""

from dataclasses import dataclass

from benchrunner.measure.wiring_rules import Disagreement

MOST_NAMED = 4  # explanations that are told; more is a guess
ONE = 0.04  # a ratio within this of one (or of minus one) is none
SMALL = 100.0  # W; a state with less at this meter says little of its ratio
NEAR = 0.2  # states whose ratios differ by less (a converter's losses) speak of one ratio
LEAST_FACTOR, MOST_FACTOR = 0.01, 100.0


@dataclass(frozen=True)
class Fault:
    """One fault in the wiring: the instruments concerned, its kind, and what a person reads.

    `factor`: what a wrong ratio multiplies by (1 where the ratio is right).
    """

    kind: str  # reversed, ratio, voltage ratio, exchanged, clamps exchanged, elsewhere, clamp elsewhere, nothing
    instruments: tuple[str, ...]
    circuits: tuple[str, ...]
    text: str
    factor: float = 1.0


@dataclass(frozen=True)
class Finding:
    """`agree`: all meters agree. Else `explanations`: each a set of faults that explains everything (empty: none does)."""

    agree: bool
    explanations: tuple[tuple[Fault, ...], ...] = ()
    against: tuple[Disagreement, ...] = ()

    @property
    def count(self) -> int:
        """How many faults there are at least; 1 where something is wrong and nothing explains it."""
        return 0 if self.agree else min((len(faults) for faults in self.explanations), default=1)

    @property
    def text(self) -> str:
        """For people."""
        if self.agree:
            return "every meter agrees with every other in every state"
        shown = "; ".join(one.text for one in self.against[:2])
        if not self.explanations:
            return f"no single fault and no pair of faults explains what the meters read: {shown}"
        said = [" and ".join(fault.text for fault in faults) for faults in self.explanations[:MOST_NAMED]]
        either = "either " if len(said) > 1 else ""
        if more := len(self.explanations) - len(said):
            said.append(f"one of {more} further explanation{'s' if more > 1 else ''}")
        return f"{either}{', or '.join(said)} (seen by: {shown})"


def together(circuits: Finding, legs: Finding) -> Finding:
    """What whole circuits and their legs show. Legs that nothing explains add nothing where a circuit is at fault already."""
    if circuits.agree or legs.agree:
        return legs if circuits.agree else circuits
    if not legs.explanations or not circuits.explanations:
        return circuits if circuits.explanations or not legs.explanations else legs
    pairs = tuple((*one, *other) for one in circuits.explanations for other in legs.explanations)
    return Finding(False, pairs, (*circuits.against[:1], *legs.against[:1]))
