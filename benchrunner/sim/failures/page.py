"""The guide's page of known failures, from simulations run now."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

from benchrunner.sim.failures.case import Case, Figures, moment
from benchrunner.sim.failures.cases import CASES
from benchrunner.sim.failures.picture import picture

if TYPE_CHECKING:
    import pandas

COMMAND = "python -m benchrunner.sim.failures --out resources/guide"
HEAD = f"""# Known failures, as the simulated bench shows them

Made by `{COMMAND}`; do not edit. Each figure in the text was read from the simulation that the plot
shows. Nothing here is scripted: each case is a pairing card of `resources/pairings`, a state to start in and orders with
their times, given to `benchrunner.sim.simulate`. What happens is what the two inverters, the battery and the bus make of
it, each through the signals that it has in reality. Which shipped procedure finds which weak pairing stands in
[outcomes.md](outcomes.md). In the plots the failing course is the full blue line, the counterpart that
holds the grey dashed one.

All pairings and figures are invented. On a real bench these cases mean over-voltage on the AC bus and on a battery,
arcs in DC contactors, and equipment that starts by itself: rehearse them here, and bring them about on purpose only
with the hardware protection proved, by people licensed for it, under local codes and the makers' manuals.
"""


@dataclass(frozen=True)
class Shown:
    """A case that was run: its tables, its figures, its plot and its part of the page."""

    case: Case
    fails: "pandas.DataFrame"
    holds: "pandas.DataFrame"
    figures: Figures
    svg: str
    text: str


def run(case: Case) -> Shown:
    """Simulate a case and its counterpart; fill its words with what came out."""
    fails, holds = case.fails.run(), case.holds.run()
    figures = case.figures(fails, holds)
    zero = 0.0
    if case.span[0] < 0.0:  # its axis begins at what it is about
        zero = moment(fails, "protection-opened")
        if zero > holds.index[-1] + case.span[0]:
            zero = float(holds.index[-1]) + case.span[0]
    svg = picture(case, fails, holds, zero, f"{case.fails.pairing}; dashed: {case.holds_as}")
    return Shown(case, fails, holds, figures, svg, _text(case, figures))


def _text(case: Case, figures: Figures) -> str:
    orders = "; ".join(f"at {t:g} s `{name}` = {value:g}" for t, name, value in case.fails.orders)
    start = ", ".join(f"`{name}` = {value:g}" for name, value in case.fails.start.items())
    return "\n".join([
        f"## {case.title}",
        "",
        f"![{case.title}](known-failures-{case.key}.svg)",
        "",
        f"Pairing `{case.fails.pairing}`, started with {start}; {orders or 'no orders'} (SI units).",
        f"Dashed: {case.holds_as}.",
        "",
        f"**What one sees.** {case.seen.format(**figures)}",
        "",
        f"**Why.** {case.why.format(**figures)}",
        "",
        f"**What cures it.** {case.cure.format(**figures)}",
        "",
    ])  # fmt: skip


def pages(told: Callable[[str], None] = lambda _: None) -> Iterator[tuple[str, str]]:
    """Name and text of each file: the plots, then the page itself."""
    parts = [HEAD]
    for case in CASES:
        told(case.title)
        shown = run(case)
        parts.append(shown.text)
        yield f"known-failures-{case.key}.svg", shown.svg
    yield "known-failures.md", "\n".join(parts)
