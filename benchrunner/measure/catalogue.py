"""The catalogue of measures that a procedure may name: what each needs, takes and gives, and how it is
evaluated.

How the uncertainty of the readings becomes the value's stands at each measure, in `polled.py` and
`waveform.py`.
"""

from collections.abc import Callable
from typing import Any

from benchrunner import units
from benchrunner.measure import polled, waveform
from benchrunner.measure.evidence import (
    SAME,
    Arguments,
    Evaluate,
    Measured,
    MeasureSpec,
    Series,
    Wave,
    nothing,
)

__all__ = ["CATALOGUE", "SAME", "Arguments", "MeasureSpec", "Measured", "Series", "Wave"]


def _own(unit: str) -> str:
    return unit


def _per_second(unit: str) -> str:
    return units.times(unit, "s", -1) if f"{unit}/s" in units.UNITS else f"{unit}/s"


def _fixed(unit: str) -> Callable[[str], str]:
    return lambda channel_unit: unit


def _polled(rule: Callable[[Series, Arguments], Measured], least: int = 1) -> Evaluate:
    def evaluate(data: Series | Wave, arguments: Arguments) -> Measured:
        why = polled.usable(data, least)
        if why or not isinstance(data, Series):
            return nothing(why)
        return rule(data, arguments)

    return evaluate


def _wave(rule: Callable[[Wave, Arguments], Measured]) -> Evaluate:
    def evaluate(data: Series | Wave, arguments: Arguments) -> Measured:
        why = waveform.usable(data)
        if why or not isinstance(data, Wave):
            return nothing(why)
        return rule(data, arguments)

    return evaluate


def _either(
    wave: Callable[[Wave, Arguments], Measured], series: Callable[[Series, Arguments], Measured]
) -> Evaluate:
    """Half-cycle values come from a captured wave, or from a meter that delivers them itself."""
    on_wave, on_series = _wave(wave), _polled(series)
    return lambda data, arguments: (on_series if isinstance(data, Series) else on_wave)(data, arguments)


def _spec(
    name: str, says: str, needs: Any, unit: Callable[[str], str], evaluate: Evaluate, **more: Any
) -> MeasureSpec:
    arguments = more.pop("arguments", {})
    required = frozenset(more.pop("required", arguments))
    return MeasureSpec(name, says, needs, unit, evaluate, arguments, required, **more)


def _of_states(data: Series | Wave, arguments: Arguments) -> Measured:
    """Judged from the steady states of several steps (`benchrunner.measure.wiring`), never from one channel."""
    return nothing("needs the steady states of the run")


_S, _ONE = _fixed("s"), _fixed("1")
_LEVEL = {"level": SAME}
_COUNTED = {"level": SAME, "hysteresis": SAME}
_POWERS = ("W",)

CATALOGUE: dict[str, MeasureSpec] = {
    spec.name: spec
    for spec in (
        _spec("mean", "mean over time", "polled", _own, _polled(polled.mean)),
        _spec("minimum", "lowest reading", "polled", _own, _polled(polled.minimum)),
        _spec("maximum", "highest reading", "polled", _own, _polled(polled.maximum)),
        _spec("last", "last reading", "polled", _own, _polled(polled.last)),
        _spec("span", "highest less lowest reading", "polled", _own, _polled(polled.span)),
        _spec("deviation", "largest distance from `target`", "polled", _own, _polled(polled.deviation),
              arguments={"target": SAME}),
        _spec("difference", "largest distance from another channel", "polled", _own,
        _polled(polled.difference),
              arguments={"from": "channel"}),
        _spec("balance", "mean of the channel plus `plus` and `plus_too` less `less`", "polled", _own,
              _polled(polled.balance), required=(),
              arguments={"plus": "channel", "plus_too": "channel", "less": "channel"}),
        _spec("duration_above", "longest time above `level` without a break", "polled", _S,
              _polled(polled.duration_above, 2), arguments=_LEVEL),
        _spec("duration_below", "longest time below `level` without a break", "polled", _S,
              _polled(polled.duration_below, 2), arguments=_LEVEL),
        _spec("total_above", "all time above `level`", "polled", _S, _polled(polled.total_above, 2),
        arguments=_LEVEL),
        _spec("total_below", "all time below `level`", "polled", _S, _polled(polled.total_below, 2),
        arguments=_LEVEL),
        _spec("count_above", "how often it rises above `level`", "polled", _ONE, _polled(polled.count_above,
        2),
              arguments=_COUNTED, required=("level",)),
        _spec("trips", "how often it falls below `level`", "polled", _ONE, _polled(polled.trips, 2),
              arguments=_COUNTED, required=("level",)),
        _spec("slope", "largest rate of change over `over` seconds", "polled", _per_second,
        _polled(polled.slope, 4),
              arguments={"over": "s"}, required=()),
        _spec("energy", "integral of a power over time", "polled", _fixed("J"), _polled(polled.integral, 2),
              of=_POWERS),
        _spec("charge", "integral of a current over time", "polled", _fixed("C"), _polled(polled.integral, 2),
              of=("A",)),
        _spec("settling_time", "time until it stays within `within` of `target`", "polled", _S,
              _polled(polled.settling_time, 3), arguments={"within": SAME, "target": SAME},
              required=("within",)),
        _spec("response_time", "time to 90 % of the change", "polled", _S, _polled(polled.response_time, 3),
              arguments={"initial": SAME, "final": SAME}, required=()),
        _spec("time_to", "time until it passes `level`", "polled", _S, _polled(polled.time_to, 2),
        arguments=_LEVEL),
        _spec("overshoot", "beyond the final value, as a fraction of the step", "polled", _ONE,
              _polled(polled.overshoot, 3), arguments={"initial": SAME, "final": SAME}, required=()),
        _spec("wiring_faults", "faults that all meters together show in the wiring", "polled", _ONE, _of_states,
              of=_POWERS),
        _spec("half_cycle_maximum", "highest half-cycle RMS value", "half-cycle", _own,
              _either(waveform.half_cycle_maximum, polled.maximum), of=("V", "A")),
        _spec("half_cycle_minimum", "lowest half-cycle RMS value", "half-cycle", _own,
              _either(waveform.half_cycle_minimum, polled.minimum), of=("V", "A")),
        _spec("peak", "largest instantaneous value (absolute for AC)", "waveform", _own,
        _wave(waveform.peak)),
        _spec("lowest", "smallest instantaneous value", "waveform", _own, _wave(waveform.lowest)),
        _spec("rms", "RMS over the whole cycles of the capture", "waveform", _own, _wave(waveform.rms)),
        _spec("gap", "transfer gap, from the wave itself", "waveform", _S, _wave(waveform.gap),
              arguments={"band": "1"}, required=(), of=("V", "A")),
        _spec("frequency_peak", "highest frequency, from the wave", "waveform", _fixed("Hz"),
              _wave(waveform.frequency_peak), of=("V", "A")),
        _spec("frequency_lowest", "lowest frequency, from the wave", "waveform", _fixed("Hz"),
              _wave(waveform.frequency_lowest), of=("V", "A")),
        _spec("frequency_slope", "largest rate of change of frequency over `over` seconds, from the wave",
        "waveform",
              _fixed("Hz/s"), _wave(waveform.frequency_slope), arguments={"over": "s"}, required=(), of=("V",
              "A")),
        _spec("thd", "total harmonic distortion to order 40", "waveform", _ONE, _wave(waveform.thd), of=("V",
        "A")),
        _spec("phase_jump", "phase after the event less phase before", "waveform", _fixed("rad"),
              _wave(waveform.phase_jump), of=("V", "A")),
        _spec("wave_duration_above", "longest time of the instantaneous value beyond `level`", "waveform", _S,
              _wave(waveform.duration_above), arguments=_LEVEL),
        _spec("wave_total_above", "all time of the instantaneous value beyond `level`", "waveform", _S,
              _wave(waveform.total_above), arguments=_LEVEL),
        _spec("wave_energy", "integral of the captured current times `voltage`", "waveform", _fixed("J"),
              _wave(waveform.energy), arguments={"voltage": "channel"}, of=("A",)),
    )
}  # fmt: skip
