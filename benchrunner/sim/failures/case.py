"""A known failure: how it is brought about, its counterpart that holds, what is plotted, and what is said of it."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import pandas

    from benchrunner.cards.pairing import PairingCard

Figures = dict[str, float]
Order = tuple[float, str, float]


@dataclass(frozen=True)
class Course:
    """One simulation: a pairing card of `resources/pairings`, altered or not, a start, orders, and how long."""

    pairing: str
    start: Mapping[str, float]
    orders: tuple[Order, ...]
    until: float  # s
    step: float  # s, of the table
    changes: Mapping[str, Any] = field(default_factory=dict)  # "part.key" of the card -> value in SI

    def card(self) -> "PairingCard":
        """The pairing, with its changes."""
        from benchrunner import data
        from benchrunner.cards.pairing import read_pairing

        card = read_pairing(data.find(self.pairing, "resources", "pairings"))
        for name, value in self.changes.items():
            part, key = name.split(".")
            card = card.model_copy(update={part: getattr(card, part).model_copy(update={key: value})})
        return card

    def run(self) -> "pandas.DataFrame":
        """What `benchrunner.sim.simulate` makes of it."""
        from benchrunner.sim.simulation import simulate

        return simulate(self.card(), self.orders, self.until, self.step, start=self.start)


@dataclass(frozen=True)
class Panel:
    """One strip of a plot: taps of one unit on one axis, with limits drawn across."""

    label: str  # with its unit
    taps: tuple[str, ...]
    limits: tuple[tuple[str, float], ...] = ()
    scale: float = 1.0
    zero_is_none: bool = False  # a frequency of 0 is no frequency: the line ends


@dataclass(frozen=True)
class Case:
    """A known failure. `figures` reads from the two tables what `says` then tells, by name and format."""

    key: str
    title: str
    fails: Course
    holds: Course
    holds_as: str  # what is different in the counterpart
    figures: Callable[["pandas.DataFrame", "pandas.DataFrame"], Figures]
    panels: tuple[Panel, ...]
    span: tuple[float, float]  # s, of the plot
    seen: str
    why: str
    cure: str


def happened(frame: "pandas.DataFrame", kind: str) -> list[dict[str, Any]]:
    """The events of one kind, in order of time."""
    return sorted((e for e in frame.attrs["events"] if e["kind"] == kind), key=lambda e: float(e["t"]))


def moment(frame: "pandas.DataFrame", kind: str) -> float:
    """When a kind of event first happened, s; NaN: never."""
    found = happened(frame, kind)
    return float(found[0]["t"]) if found else float("nan")
