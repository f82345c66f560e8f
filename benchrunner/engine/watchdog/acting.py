"""What the watchdog does once the engine is gone: the safe order over links of its own, with fallbacks and rounds."""

from collections.abc import Callable
from dataclasses import dataclass

from benchrunner.bench.live import LiveHost
from benchrunner.bench.plan import safe_steps, sources_and_channels
from benchrunner.bench.wire import connect
from benchrunner.cards.bench import Bench
from benchrunner.core.messages import Event
from benchrunner.core.plan import Source
from benchrunner.core.safe import SafeSequence
from benchrunner.engine.rescue import carry_out


@dataclass(frozen=True)
class SafePlan:
    """All that making this bench safe needs, made ready before anything is switched on."""

    bench: Bench
    port_base: int | None
    rate: float
    rounds: float
    tick: float
    names: tuple[str, ...]  # the instruments that are told or asked
    sources: tuple[Source, ...]
    other_serials: bool = False

    @classmethod
    def of(
        cls,
        bench: Bench,
        port_base: int | None,
        rate: float,
        rounds: float,
        tick: float,
        other_serials: bool = False,
    ) -> "SafePlan":
        """The plan of a bench. Raises `Refused` where an instrument has no link of its own."""
        names = concerned(bench)
        sources = tuple(s for s in sources_and_channels(bench, rate)[0] if s.name in names)
        connect(
            bench, port_base, names
        )  # builds drivers and links, and so loads what they need; opens nothing
        return cls(bench, port_base, rate, rounds, tick, names, sources, other_serials)


def concerned(bench: Bench) -> tuple[str, ...]:
    """The instruments that the safe order tells or asks, in the card's order."""
    settings = {step.setting for step in safe_steps(bench)} | {
        step.fallback_setting for step in safe_steps(bench) if step.fallback_setting
    }
    channels = {name for step in safe_steps(bench) for name in (step.confirm, step.when_channel) if name}
    told = {bench.settings[setting][0] for setting in settings}
    asked = {
        name
        for name in bench.card.instruments
        if any(place.channel in channels for place in bench.placed(name))
    }
    return tuple(name for name in bench.card.instruments if name in told | asked)


def make_safe(plan: SafePlan, tell: Callable[[Event], None]) -> SafeSequence:
    """Follow the safe order; how it stands at the end. Takes as long as its time-outs and rounds, no longer.

    Links open when first used, each by its own thread: a dead one holds up none of the others.
    """
    host = LiveHost(connect(plan.bench, plan.port_base, plan.names, plan.other_serials), plan.rate)
    sequence = SafeSequence(safe_steps(plan.bench), plan.sources, plan.rounds)
    try:
        carry_out(sequence, plan.tick, host, tell)
        return sequence
    finally:
        host.close()
