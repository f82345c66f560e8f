"""What the core needs to know of a bench, in its own types: sources, channels, waveforms, guards, the safe order."""

from benchrunner.cards.bench import Accuracy, Bench
from benchrunner.cards.quantities import si
from benchrunner.core.plan import Channel, SafeStep, Source
from benchrunner.procedure.running import PlannedGuard

UNITS = {
    "voltage": "V",
    "current": "A",
    "power": "W",
    "frequency": "Hz",
}  # of channels that only a recorder sees


LEAST_WALL = (
    0.1  # s of wall time between polls of one instrument where a bench is served faster than real time
)


def poll_period(period: float, rate: float) -> float:
    """Bench seconds between polls. A bench served faster than real time is asked less often than its card says,
    so that three missed polls (a stale guard) stay well above what a busy machine may be late."""
    return period if rate <= 1.0 else max(period, LEAST_WALL * rate)


def sources_and_channels(
    bench: Bench, rate: float = 1.0
) -> tuple[tuple[Source, ...], dict[str, Channel], dict[str, Channel]]:
    """The polled instruments, the channels that they bring, and the channels that a capture brings.

    A host numbers its sources in this order. `rate`: as `hosts.live_rate` tells.
    """
    sources: list[Source] = []
    channels: dict[str, Channel] = {}
    for name, part in bench.card.instruments.items():
        placed = bench.placed(name)
        if not placed or part.period == 0:
            continue
        sources.append(Source(name, tuple(p.channel for p in placed), poll_period(part.period, rate)))
        for place in placed:
            accuracy = part.accuracy.get(place.quantity)
            channels[place.channel] = Channel(
                place.channel,
                place.unit,
                *_limits(accuracy, place.unit),
                update=part.update,
                window=part.window,
                delivers=part.delivers,
                evaluated=accuracy is not None,
            )
    waveforms = {
        plug.channel: Channel(
            plug.channel,
            unit := waveform_unit(bench, plug.channel),
            *_limits(plug, unit),
            delivers="waveform",
            evaluated=bool(plug.of_reading or plug.of_range),
        )
        for part in bench.card.instruments.values()
        for plug in part.inputs.values()
    }
    return tuple(sources), channels, waveforms


def waveform_unit(bench: Bench, channel: str) -> str:
    """Unit of a recorder's channel: that of the polled channel of the same name, else by its quantity."""
    return bench.channel_units.get(channel) or UNITS.get(channel.rpartition(".")[2], "1")


def _limits(accuracy: Accuracy | None, unit: str) -> tuple[float, float, float]:
    if accuracy is None:
        return 0.0, 0.0, 0.0
    of_range = si(accuracy.of_range, unit) if accuracy.of_range else 0.0
    resolution = si(accuracy.resolution, unit) if accuracy.resolution else 0.0
    return accuracy.of_reading, of_range, resolution


def guards(bench: Bench) -> tuple[PlannedGuard, ...]:
    """The trip limits of the wiring and the instruments."""
    found = []
    for part in bench.card.guards:
        unit = bench.channel_units[part.channel]
        low = si(part.low, unit) if part.low is not None else None
        high = si(part.high, unit) if part.high is not None else None
        found.append(
            PlannedGuard(part.id, part.channel, low, high, unit, part.delay, part.says, "bench card")
        )
    return tuple(found)


def reaction_time(bench: Bench, guard: PlannedGuard, rate: float = 1.0) -> float:
    """Within how many seconds of the crossing the first safe order is on its way: poll period, the meter's update and
    window, the guard's delay, the reply's latency. `inf` for a channel that nothing reads."""
    for name, part in bench.card.instruments.items():
        if any(place.channel == guard.channel for place in bench.placed(name)):
            meter = part.update + part.window
            return poll_period(part.period, rate) + meter + guard.delay + bench.drivers[name].latency
    return float("inf")


def safe_steps(bench: Bench) -> tuple[SafeStep, ...]:
    """The safe order."""
    found = []
    for part in bench.card.safe:
        unit = bench.channel_units[part.confirm.channel]
        when_channel, when_below = "", 0.0
        if part.when is not None:
            when_channel = part.when.channel
            when_below = si(part.when.below, bench.channel_units[when_channel])
        fallback_setting, fallback_value = "", 0.0
        if part.fallback is not None:
            fallback_setting = part.fallback[0]
            fallback_value = bench.setting_value(*part.fallback)
        found.append(
            SafeStep(
                id=part.id,
                setting=part.set[0],
                value=bench.setting_value(*part.set),
                says=part.says,
                confirm=part.confirm.channel,
                low=si(part.confirm.above, unit) if part.confirm.above is not None else None,
                high=si(part.confirm.below, unit) if part.confirm.below is not None else None,
                timeout=part.timeout,
                when_channel=when_channel,
                when_below=when_below,
                at_latest=part.at_latest,
                fallback_setting=fallback_setting,
                fallback_value=fallback_value,
            )
        )
    return tuple(found)
