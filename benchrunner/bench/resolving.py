"""Whether a bench's meters can resolve a procedure's limits, and are read often enough for its measures: told before power.

A limit is resolved where one digit of the display is at most a tenth, and the expanded uncertainty (k = 2) at most a
third, of what the limit leaves room for: its width where it has two ends, else its own size (common practice; a ratio of
three is the least that laboratories ask of a measuring system, a ratio of four or ten what they wish). Where a meter
falls short by so much that no reading at all could pass, the run is refused; else it is noted and stands in the record.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass

from benchrunner.bench.plan import poll_period, sources_and_channels
from benchrunner.cards.bench import Bench
from benchrunner.cards.quantities import si
from benchrunner.cards.reading import Mended
from benchrunner.core.plan import Channel
from benchrunner.errors import Problem
from benchrunner.procedure.running import PlannedCheck, PlannedStep, RunningOrder

DIGIT, SHARE, K = 0.1, 1.0 / 3.0, 2.0
OF_THE_CHANNEL = (  # measures whose value is a value of the channel, in its unit
    "mean", "minimum", "maximum", "last", "half_cycle_maximum", "half_cycle_minimum", "rms",
)  # fmt: skip
TIMES = (
    "duration_above",
    "duration_below",
    "settling_time",
    "response_time",
    "time_to",
    "total_above",
    "total_below",
)
PERIODS = 3.0  # a time that is judged should hold so many polls
OF_A_RATE, A_LITTLE_MORE = (
    4.0,
    1.2,
)  # as `measure.polled.slope` has it: four readings within the time, or nearly
TOO_FEW = 0.5  # with less than half a poll in it nothing can be seen


@dataclass(frozen=True)
class Found:
    """`problems` refuse the run, `notes` go into the record."""

    problems: tuple[Problem, ...]
    notes: tuple[str, ...]


def resolving(order: RunningOrder, bench: Bench, rate: float = 1.0) -> Found:
    """All that the meters cannot resolve or are too slow for.

    `rate`: bench seconds in a second of a live run (`hosts.live_rate`). A simulated bench that is served faster than real
    time is polled more seldom than its card says; what only that hides is noted, for it shows whatever a run can.
    """
    sources, channels, waveforms = sources_and_channels(bench)
    periods = {name: source.period for source in sources for name in source.channels}
    stretched = {name: poll_period(period, rate) for name, period in periods.items()}
    problems: list[Problem] = []
    notes: list[str] = []
    for step in order.steps:
        for check in step.checks:
            channel = waveforms.get(check.of) if check.needs == "waveform" else channels.get(check.of)
            if channel is None:
                continue  # told by `fits`
            for grave, what, mend in (
                *_limit(check, channel),
                *_range(check, channel, bench),
                *_rate(check, step, channel, periods.get(check.of, 0.0), stretched.get(check.of, 0.0)),
            ):
                where = f"{order.title}: step {step.id}, check {check.id}"
                if grave:
                    problems.append(Problem(where, what, mend))
                else:
                    notes.append(f"step {step.id}, check {check.id}: {what}")
    return Found(tuple(dict.fromkeys(problems)), tuple(dict.fromkeys(notes)))


Told = Iterator[tuple[bool, str, str]]  # grave, what, mend


def room(check: PlannedCheck) -> float:
    """What the limit leaves room for: its width, or its own size where it has one end; NaN where that is nothing."""
    if check.low is not None and check.high is not None:
        return check.high - check.low
    bound = abs(check.high if check.high is not None else check.low or 0.0)
    return bound if bound > 0.0 else math.nan


def _limit(check: PlannedCheck, channel: Channel) -> Told:
    if check.measure not in OF_THE_CHANNEL or check.unit != channel.unit:
        return
    space = room(check)
    if not math.isfinite(space):
        return
    if channel.resolution > DIGIT * space:
        digit, left = _amount(channel.resolution, channel), _amount(space, channel)
        what = f"{channel.name} shows {digit} a digit, and the limit leaves {left}"
        yield channel.resolution > space, what, "use a finer meter or a smaller range"
    if not channel.evaluated:
        return
    nearest = max(abs(b) for b in (check.low, check.high) if b is not None)
    half = channel.of_reading * nearest + channel.of_range
    expanded = K * math.sqrt(half * half / 3.0 + channel.resolution**2 / 12.0)
    if expanded > SHARE * space:
        known, left = _amount(expanded, channel, 3), _amount(space, channel)
        what = f"{channel.name} is known to {known} (k = 2), and the limit leaves {left}"
        # guarded by U at each end, nothing is left to pass in
        never = (
            check.rule == "guarded"
            and check.low is not None
            and check.high is not None
            and 2.0 * expanded >= space
        )
        yield never, what, "use a better meter, or a limit that it can resolve"


def _amount(number: float, channel: Channel, digits: int = 6) -> str:
    """A difference of two of the channel's values, in words."""
    if channel.unit == "1":
        percent = channel.name.endswith(".soc")
        return f"{number * 100:.{digits}g} % points" if percent else f"{number:.{digits}g}"
    return f"{number:.{digits}g} {channel.unit}"


def _range(check: PlannedCheck, channel: Channel, bench: Bench) -> Told:
    """A limit beyond the range: what passes it would read as overload."""
    if check.measure not in (*OF_THE_CHANNEL, "peak", "lowest") or check.unit != channel.unit:
        return
    full = _full_scale(bench, channel.name)
    for bound in (check.low, check.high):
        if bound is not None and abs(bound) > full:
            what = f"the limit {bound:g} {check.unit} lies beyond the range of {channel.name}, {full:g} {channel.unit}"
            yield True, what, "choose a larger range: what passes the limit would read as overload"
            return


def _full_scale(bench: Bench, channel: str) -> float:
    """The largest value that the channel's instrument reads, as its bench card states it; else without end."""
    for name, part in bench.card.instruments.items():
        for place in bench.placed(name):
            if place.channel == channel and place.quantity in part.largest:
                try:
                    return abs(si(part.largest[place.quantity], place.unit))
                except Mended:
                    return math.inf  # told by the card's own check
    return math.inf


def _rate(check: PlannedCheck, step: PlannedStep, channel: Channel, period: float, stretched: float) -> Told:
    """A time that is judged holds some polls, or it cannot be seen; so does the time over which a rate is taken.

    `period` as the card says it, `stretched` as the run polls. A display that is read oftener than it changes shows no more.
    """
    if check.needs == "waveform":
        return
    by_card, every = max(period, channel.update), max(stretched, channel.update)
    if period <= 0.0:
        return
    if check.measure == "slope":
        over = float(check.arguments.get("over", 0.5))
        longest = A_LITTLE_MORE * over / OF_A_RATE
        if by_card > longest:
            seen = _seen(channel, period)
            if channel.update > longest:
                mend = f"use a meter that updates every {longest:.2g} s or oftener, or judge the rate over a longer time"
            else:
                mend = f"poll it every {longest:.2g} s or oftener, or judge the rate over a longer time"
            yield True, f"judges a rate over {over:g} s, and {seen}: no rate could be told", mend
        elif every > longest:
            what = (
                f"judges a rate over {over:g} s, and at the speed that the bench is served {channel.name} is read every "
                f"{every:g} s: no rate can be told, and the check comes out inconclusive"
            )
            yield False, what, "serve the bench more slowly"
        return
    if check.measure not in TIMES:
        return
    least = min((b for b in (check.low, check.high) if b is not None and b > 0.0), default=math.inf)
    if least < PERIODS * by_card:
        what = f"judges a time of {least:g} s, and {channel.name} is read every {by_card:g} s"
        yield least < TOO_FEW * by_card, what, "poll it more often, or use a capture"
    elif least < PERIODS * every:
        what = f"judges a time of {least:g} s, and at the speed that the bench is served {channel.name} is read every {every:g} s"
        yield False, what, "serve the bench more slowly"


def _seen(channel: Channel, period: float) -> str:
    """How often a channel brings something new."""
    if channel.update > period:
        return f"the meter of {channel.name} updates every {channel.update:g} s"
    return f"{channel.name} is read every {period:g} s"
