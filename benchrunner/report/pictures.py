"""Which pictures a record's steps need, drawn from its own readings and captures."""

import math
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from benchrunner.procedure.running import Condition, PlannedStep
from benchrunner.record.container import ContainerError
from benchrunner.record.opened import Record, Waveform
from benchrunner.report import words
from benchrunner.report.decimate import Floats, shown_unit
from benchrunner.report.svg import Limit, Mark, Panel, Trace, stack

LEVELS = frozenset(
    {
        "mean",
        "minimum",
        "maximum",
        "last",
        "peak",
        "lowest",
        "half_cycle_maximum",
        "half_cycle_minimum",
        "rms",
    }
)
OVERVIEW = ("bus.frequency", "bus.voltage", "battery.voltage", "battery.current", "battery_inverter.power", "pv.power",
            "load.power", "grid.power", "battery.soc")  # fmt: skip
DEFAULT = ("bus.frequency", "battery.voltage", "pv.power", "bus.voltage")
MOST_PANELS = 4
PREPARING, JUDGED = 64.0, 84.0  # height of a panel, in a step that judges nothing and in one that does
NOT_A_NUMBER = 1e30  # what instruments send for overload (9.9E37) is no level to draw
BEFORE, AFTER = 0.06, 0.14  # s round a trigger, shown enlarged
RMS_MEASURES = frozenset({"half_cycle_maximum", "half_cycle_minimum", "gap", "rms"})


@dataclass
class StepPicture:
    """One step as the report shows it."""

    step: PlannedStep
    start: float
    end: float
    phase: str
    text: str
    checks: list[dict[str, Any]] = field(default_factory=list)
    plots: list[tuple[str, str]] = field(default_factory=list)  # caption, SVG


class Pictures:
    """Draws from one record, reading each channel once."""

    def __init__(self, record: Record, at_once: int | None = None) -> None:
        """`at_once`: how many panels one picture holds at most, so that a page can be filled; any number where not given."""
        self.record = record
        self.at_once = at_once
        self.plan = record.plan
        self._known: dict[str, tuple[Floats, Floats]] = {}
        self.periods = {c: s.period for s in self.plan.sources for c in s.channels}
        self.end = float(record.header["duration"]) or 1.0

    def steps(self) -> list[StepPicture]:
        """The steps that were begun, in order, with their pictures."""
        found = self._windows()
        waves = self.record.waveforms
        for picture in found:
            picture.checks = [c for c in self.record.checks if c.get("step") == picture.step.id]
            picture.plots += self._readings(picture, picture is found[-1])
            for wave in waves:
                if picture.start <= wave.captured.arrived <= picture.end and wave.step == picture.step.id:
                    picture.plots += self._wave(wave, picture)
        return found

    def overview(self, steps: list[StepPicture]) -> list[tuple[str, str]]:
        """The whole run: what the battery, the bus and the sources did, with the steps as marks."""
        end = min(self.end, max((p.end for p in steps), default=self.end))
        present = [name for name in OVERVIEW if name in self.periods][:6]
        panels = [self._panel(name, (), 62.0, (0.0, end)) for name in present]
        marks = [Mark(p.start, str(number)) for number, p in enumerate(steps, 1)]
        says = f"Course of the whole run over {words.span(self.end)}"
        caption = words.COURSE if steps else "All readings of the record, from the first to the last."
        return self._pictures(caption, says, panels, 0.0, end, marks, 0.0)

    def _windows(self) -> list[StepPicture]:
        found: dict[int, StepPicture] = {}
        steps = self.plan.order.steps
        for event in self.record.events:
            if event["kind"] != "step":
                continue
            data, at = event["data"], float(event["at"])
            index = data.get("index")
            if not isinstance(index, int) or not 0 <= index < len(steps):
                continue
            phase = str(data.get("phase", ""))
            if phase == "started":
                found[index] = StepPicture(steps[index], at, math.inf, phase, "")
            elif index in found and phase in ("done", "failed", "skipped"):
                found[index].end = min(found[index].end, at)
                found[index].phase, found[index].text = phase, str(data.get("text", ""))
        ordered = [found[index] for index in sorted(found)]
        for number, picture in enumerate(ordered, 1):
            if math.isinf(picture.end):
                picture.end = ordered[number].start if number < len(ordered) else self.end
        return ordered

    def channel(self, name: str) -> tuple[Floats, Floats]:
        """Times and values of a channel; what is no level (overload) is missing."""
        if name not in self._known:
            try:
                times, values = self.record.channel(name)
            except KeyError:
                times, values = np.zeros(0), np.zeros(0)
            self._known[name] = times, np.where(np.abs(values) < NOT_A_NUMBER, values, np.nan)
        return self._known[name]

    def _pictures(
        self,
        caption: str,
        says: str,
        panels: list[Panel],
        start: float,
        end: float,
        marks: list[Mark],
        zero: float,
    ) -> list[tuple[str, str]]:
        """The panels in one picture or, on paper, in as many as it takes; each has its time axis and its own words."""
        most = self.at_once or max(len(panels), 1)
        found: list[tuple[str, str]] = []
        for first in range(0, len(panels), most):
            some = panels[first : first + most]
            told = f"{says}: " + "; ".join(self._in_words(p) for p in some)
            svg = stack(some, start, end, told, marks, zero)
            if svg:
                found.append((caption if not found else "", svg))
        return found

    def _readings(self, picture: StepPicture, last: bool) -> list[tuple[str, str]]:
        """The channels that the step is about, a little beyond its ends; what follows the last step is making safe."""
        names = self._channels(picture.step)
        room = max(0.04 * (picture.end - picture.start), 0.2)
        start, end = max(0.0, picture.start - room), min(self.end, picture.end + (0.0 if last else room))
        panels = []
        for name in names:
            limits = [
                Limit(low, high, str(c.get("title") or c["id"]), picture.start, picture.end)
                for c in picture.checks
                for low, high in [self._bounds(c, name, picture.step)]
                if low is not None or high is not None
            ]
            height = JUDGED if picture.checks else PREPARING
            panels.append(self._panel(name, tuple(limits), height, window=(start, end)))
        marks = [Mark(picture.start, ""), Mark(picture.end, "")]
        return self._pictures("Readings", picture.step.title, panels, start, end, marks, picture.start)

    def _channels(self, step: PlannedStep) -> list[str]:
        wanted = [check.of for check in step.checks]
        wanted += [str(a) for check in step.checks for a in check.arguments.values() if isinstance(a, str)]
        wanted += _condition_channels(step.until) + _condition_channels(step.requires)
        wanted += [order.setting for order in step.do]
        wanted += DEFAULT[:2]
        return [name for name in dict.fromkeys(wanted) if name in self.periods][:MOST_PANELS]

    def _bounds(
        self, check: dict[str, Any], channel: str, step: PlannedStep
    ) -> tuple[float | None, float | None]:
        """The limits of a check as levels of the channel, where they are levels."""
        planned = next((c for c in step.checks if c.id == check.get("id")), None)
        if planned is None or planned.of != channel or planned.needs != "polled":
            return None, None
        if planned.unit != self.plan.channels[channel].unit:
            return None, None
        target = planned.arguments.get("target")
        if planned.measure == "deviation" and isinstance(target, float) and planned.high is not None:
            return target - planned.high, target + planned.high
        return (planned.low, planned.high) if planned.measure in LEVELS else (None, None)

    def _panel(
        self,
        name: str,
        limits: tuple[Limit, ...],
        height: float = 92.0,
        window: tuple[float, float] = (-math.inf, math.inf),
    ) -> Panel:
        times, values = self.channel(name)
        first, behind = np.searchsorted(times, window[0]), np.searchsorted(times, window[1], side="right")
        times, values = times[first:behind], values[first:behind]  # with the reading at the very end
        unit, scale, offset = shown_unit(name, self.plan.channels[name].unit, values)
        limits = tuple(
            Limit(_shift(li.low, offset), _shift(li.high, offset), li.name, li.start, li.end) for li in limits
        )
        trace = Trace(times, values + offset, gap=max(5 * self.periods.get(name, 1.0), 2.5))
        finite = values[np.isfinite(values)]
        state = name.endswith(".state") and len(finite) and bool((finite == np.round(finite)).all())
        if state:  # a state has no fractions and no ramps
            bounds = [b for li in limits for b in (li.low, li.high) if b is not None]
            spans = (min([*bounds, float(finite.min())]) - 0.4, max([*bounds, float(finite.max())]) + 0.4)
            return Panel(name, unit, (_stepped(trace),), limits, 1.0, height, spans)
        if self.plan.channels[name].unit == "1" and len(finite) and np.isin(finite, (0.0, 1.0)).all():
            return Panel(
                name,
                "open 0, closed 1" if name.endswith("closed") else "off 0, on 1",
                (_stepped(trace),),
                (),
                1.0,
                30.0,
                (-0.15, 1.15),
            )
        return Panel(name, unit, (trace,), limits, scale, height)

    @staticmethod
    def _in_words(panel: Panel) -> str:
        values = np.concatenate([t.values for t in panel.traces]) * panel.scale
        values = values[np.isfinite(values)]
        if not len(values):
            return f"{panel.label} no valid reading"
        return f"{panel.label} from {values.min():.4g} to {values.max():.4g} {panel.unit}".rstrip()

    def _wave(self, wave: Waveform, picture: StepPicture) -> list[tuple[str, str]]:
        try:
            samples = wave.samples
        except ContainerError as error:
            return [(f"Captured waveform cannot be drawn: {error.problem.what}", "")]
        if not samples.size or not wave.rate > 0:
            return []
        times = wave.start + np.arange(samples.shape[1]) / wave.rate
        marks = [Mark(wave.trigger, "trigger", "trigger")]
        whole, near = [], []
        for row, name, unit in zip(samples, wave.channels, wave.units, strict=True):
            limits = self._wave_limits(name, unit, picture, row)
            label, scale, offset = shown_unit(name, unit, row)
            panel = Panel(
                f"{name}, samples", label, (Trace(times, row + offset, "wave"),), limits, scale, 84.0
            )
            whole.append(panel)
            inside = (times >= wave.trigger - BEFORE) & (times <= wave.trigger + AFTER)
            near.append(
                Panel(panel.label, label, (Trace(times[inside], row[inside], "wave"),), limits, scale, 84.0)
            )
            if _alternates(row) and any(
                c.measure in RMS_MEASURES and c.of == name for c in picture.step.checks
            ):
                whole.append(self._rms_panel(name, unit, row, wave, picture))
        says = f"Captured in step {picture.step.title}"
        caption = f"Captured waveforms, {wave.rate / 1000:g} kS/s"
        plots = self._pictures(caption, says, whole, times[0], times[-1], marks, wave.trigger)
        if times[0] < wave.trigger < times[-1] and times[-1] - times[0] > 2 * (BEFORE + AFTER):
            start, end = max(times[0], wave.trigger - BEFORE), min(times[-1], wave.trigger + AFTER)
            plots += self._pictures(
                "The same, round the trigger", says, near, start, end, marks, wave.trigger
            )
        simulated = []
        if wave.captured.not_carried:
            simulated.append(
                f"the model of the simulated bench does not carry: {', '.join(wave.captured.not_carried)}"
            )
        parts: dict[str, list[str]] = {
            part: [] for each in wave.prescribed for part in each.split(", ") if part
        }
        for name, each in zip(wave.channels, wave.prescribed, strict=False):
            for part in filter(None, each.split(", ")):
                parts[part].append(name)
        if parts:
            said = [
                p if len(on) == len(wave.channels) else f"{p} of {', '.join(on)}" for p, on in parts.items()
            ]
            simulated.append(f"prescribed, not computed: {', '.join(said)}")
        if simulated and plots:
            plots[0] = (f"{plots[0][0]} ({'; '.join(simulated)})", plots[0][1])
        return plots

    def _wave_limits(self, name: str, unit: str, picture: StepPicture, row: Floats) -> tuple[Limit, ...]:
        found = []
        for check in picture.step.checks:
            if check.of != name or check.unit != unit or check.needs != "waveform":
                continue
            low, high = check.low, check.high
            if check.measure == "peak" and _alternates(row) and high is not None:
                low = -high
            if check.measure in ("peak", "lowest", "maximum", "minimum"):
                found.append(Limit(low, high, check.title or check.id))
        return tuple(found)

    def _rms_panel(self, name: str, unit: str, row: Floats, wave: Waveform, picture: StepPicture) -> Panel:
        from benchrunner.measure import half_cycle_rms

        try:
            times, values = half_cycle_rms(row, wave.rate)
        except ValueError:
            times, values = np.zeros(0), np.zeros(0)
        limits = tuple(
            Limit(c.low, c.high, c.title or c.id)
            for c in picture.step.checks
            if c.of == name and c.unit == unit and c.measure in ("half_cycle_maximum", "half_cycle_minimum")
        )
        return Panel(
            f"{name}, RMS of each half-cycle",
            unit,
            (Trace(np.asarray(wave.start + times, np.float64), np.asarray(values, np.float64)),),
            limits,
            1.0,
            84.0,
        )


def _condition_channels(condition: Condition | None) -> list[str]:
    if condition is None:
        return []
    return [condition.channel, *(c for part in condition.parts for c in _condition_channels(part))]


def _stepped(trace: Trace) -> Trace:
    """The same without ramps: a value holds until the next."""
    return Trace(np.repeat(trace.times, 2)[1:], np.repeat(trace.values, 2)[:-1], trace.kind, trace.gap)


def _shift(value: float | None, by: float) -> float | None:
    return None if value is None else value + by


def _alternates(row: Floats) -> bool:
    """Whether the samples are AC: their mean is small beside their RMS."""
    rms = float(np.sqrt(np.mean(row**2))) if len(row) else 0.0
    return rms > 0 and abs(float(np.mean(row))) < 0.2 * rms
