"""A small deterministic bench for the runner: channels are functions of time and settings, orders take a moment.

It is a host in its own right (polls at fixed periods, carries out orders, ticks), without any plant behind it, so that
a test says in one line what the instruments see.
"""

import heapq
import itertools
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

import numpy as np

from benchrunner.core.messages import (
    ArmOrder,
    Captured,
    Event,
    Input,
    OrderDone,
    Output,
    Readings,
    SetOrder,
    Tick,
)
from benchrunner.core.plan import Channel, RunPlan, SafeStep, Source
from benchrunner.core.runner import Runner
from benchrunner.procedure.running import (
    Condition,
    GroupCheck,
    PlannedCapture,
    PlannedCheck,
    PlannedGuard,
    PlannedOrder,
    PlannedStep,
    RunningOrder,
    StartCondition,
    Trigger,
)

NAN = float("nan")
CAPTURE = PlannedCapture("scope", ("bus.voltage",), Trigger("bus.voltage", 20.0, "V"), 1.0, rate=2000.0)
Settings = dict[str, float]
World = dict[str, Callable[[float, Settings], float]]

SOURCES = (
    Source("bus_meter", ("bus.voltage", "bus.frequency"), 0.1),
    Source("battery_meter", ("battery.voltage", "battery.current"), 0.1),
    Source("load", ("load.power",), 0.2),
    Source("door", ("interlock.closed",), 0.1),
)
CHANNELS = {
    "bus.voltage": Channel("bus.voltage", "V", of_reading=0.001, of_range=0.1, resolution=0.01),
    "bus.frequency": Channel("bus.frequency", "Hz", of_range=0.005, resolution=0.001),
    "battery.voltage": Channel("battery.voltage", "V", of_reading=0.001, resolution=0.001),
    "battery.current": Channel("battery.current", "A", of_reading=0.002, resolution=0.01),
    "load.power": Channel("load.power", "W", of_reading=0.005, resolution=0.1),
    "interlock.closed": Channel("interlock.closed", "1"),
}
WAVEFORMS = {"bus.voltage": Channel("bus.voltage", "V", of_reading=0.003, of_range=0.5, delivers="waveform")}
SAFE = (
    SafeStep("load-off", "load.on", 0.0, "Load off", "load.power", None, 50.0, 2.0),
    SafeStep(
        "inverter-off",
        "relays.inverter_enable",
        0.0,
        "Battery inverter to standby",
        "bus.voltage",
        None,
        50.0,
        2.0,
    ),
)
GUARDS = (
    PlannedGuard(
        "battery-high",
        "battery.voltage",
        None,
        60.0,
        "V",
        0.2,
        "battery voltage above its limit",
        "pairing card",
    ),
)


def world(**more: Callable[[float, Settings], float]) -> World:
    """A well-behaved bench: the load follows its setting, the bus lives while the inverter is enabled."""

    def ripple(t: float) -> float:
        return 0.001 * ((round(t * 1000) * 7919) % 13 - 6)  # some digits in motion, the same every time

    base: World = {
        "bus.voltage": lambda t, s: (230.0 + ripple(t)) * s.get("relays.inverter_enable", 1.0),
        "bus.frequency": lambda t, s: 50.0 + ripple(t) if s.get("relays.inverter_enable", 1.0) else NAN,
        "battery.voltage": lambda t, s: 53.0 + ripple(t),
        "battery.current": lambda t, s: -10.0 + ripple(t),
        "load.power": lambda t, s: s.get("load.power", 0.0) * s.get("load.on", 1.0) + abs(ripple(t)),
        "interlock.closed": lambda t, s: 1.0,
    }
    return base | {name.replace("__", "."): function for name, function in more.items()}


def order(
    *steps: PlannedStep, start: tuple[StartCondition, ...] = (), group_checks: tuple[GroupCheck, ...] = ()
) -> RunningOrder:
    return RunningOrder("Trial", "", (), (), {}, {}, start, steps, (), group_checks)


def plan(
    *steps: PlannedStep,
    start: tuple[StartCondition, ...] = (),
    group_checks: tuple[GroupCheck, ...] = (),
    guards: tuple[PlannedGuard, ...] = GUARDS,
    safe: tuple[SafeStep, ...] = SAFE,
    interlock: str = "interlock.closed",
    sources: tuple[Source, ...] = SOURCES,
    channels: dict[str, Channel] | None = None,
    seed: int = 1,
    **more: float,
) -> RunPlan:
    return RunPlan(
        order(*steps, start=start, group_checks=group_checks), sources, channels or CHANNELS, WAVEFORMS, guards, safe,
        interlock, seed, **more,  # type: ignore[arg-type]
    )  # fmt: skip


def set_load(watts: float, **more: float) -> PlannedOrder:
    return PlannedOrder("load.power", watts, "W", f"load to {watts:g} W", **more)  # type: ignore[arg-type]


def settled(channel: str = "bus.frequency", within: float = 0.05, hold: float = 2.0) -> Condition:
    return Condition("settled", f"{channel} settled", channel, "Hz", within=within, hold=hold)


def above(channel: str, low: float, hold: float = 0.0) -> Condition:
    return Condition("above", f"{channel} above {low:g}", channel, low=low, hold=hold)


def below(channel: str, high: float, hold: float = 0.0) -> Condition:
    return Condition("below", f"{channel} below {high:g}", channel, high=high, hold=hold)


def elapsed(seconds: float) -> Condition:
    return Condition("elapsed", f"{seconds:g} s", hold=seconds)


def check(
    id_: str, measure: str, of: str, low: float | None = None, high: float | None = None, **more: object
) -> PlannedCheck:
    options: dict[str, object] = {"rule": "simple", **more}
    return PlannedCheck(id_, measure, of, CHANNELS[of].unit, low, high, **options)  # type: ignore[arg-type]


@dataclass
class Bench:
    """Feeds a runner until it ends. `inputs` and `outputs` are all that went in and came out."""

    runner: Runner
    world: World = field(default_factory=world)
    link: float = 0.02  # s from an order to its confirmation
    deaf: frozenset[str] = frozenset()  # settings that are never answered
    broken: frozenset[str] = frozenset()  # settings whose orders fail
    ignored: frozenset[str] = frozenset()  # settings that are confirmed and do nothing
    dead: frozenset[str] = frozenset()  # sources that never answer
    silent: Callable[[str, float], bool] = lambda name, t: False  # a source that misses its poll at t
    flags: Callable[[str, float], int] = lambda name, t: 0
    edge: float | None = 0.3  # s from arming to the capture's trigger; None: the edge never comes
    capture_ok: bool = True
    not_carried: tuple[str, ...] = ()
    latency: float = 0.01
    extra: Iterable[Input] = ()
    settings: Settings = field(default_factory=dict)
    inputs: list[Input] = field(default_factory=list)
    outputs: list[Output] = field(default_factory=list)
    states: list[str] = field(default_factory=list)

    def run(self, until: float = 2000.0) -> "Bench":
        plan = self.runner.plan
        self._seq = itertools.count()
        self._heap: list[tuple[float, int, Callable[[float], Input | None]]] = []
        for index, source in enumerate(plan.sources):
            self._at(0.003 * index, self._poll(index, source))
        for item in self.extra:
            self._at(item.arrived, lambda t, item=item: item)
        self._at(plan.tick, self._tick)
        self._take(self.runner.start(0.0))
        while not self.runner.ended:
            time, _, act = heapq.heappop(self._heap)
            assert time < until, f"still {self.runner.state} after {until} s"
            item = act(time)
            if item is not None:
                self.inputs.append(item)
                self._take(self.runner.feed(item))
        return self

    def events(self, kind: str) -> list[Event]:
        return [one for one in self.outputs if isinstance(one, Event) and one.kind == kind]

    def orders(self, safety: bool = False) -> list[tuple[str, float]]:
        return [(o.setting, o.value) for o in self.outputs if isinstance(o, SetOrder) and o.safety is safety]

    def _at(self, time: float, act: Callable[[float], Input | None]) -> None:
        heapq.heappush(self._heap, (time, next(self._seq), act))

    def _tick(self, t: float) -> Input:
        self._at(t + self.runner.plan.tick, self._tick)
        return Tick(t)

    def _poll(self, index: int, source: Source) -> Callable[[float], Input | None]:
        def reply(t: float) -> Input | None:
            self._at(t + source.period, reply)
            if source.name in self.dead or self.silent(source.name, t):
                return None
            values = tuple(float(self.world[name](t, self.settings)) for name in source.channels)
            self._at(
                t + self.latency,
                lambda now: Readings(now, index, t, 0.005, values, self.flags(source.name, t)),
            )
            return None

        return reply

    def _take(self, outputs: list[Output]) -> None:
        for output in outputs:
            self.outputs.append(output)
            if isinstance(output, Event):
                if output.kind == "state":
                    self.states.append(output.data["state"])
            elif isinstance(output, ArmOrder):
                self._arm(output)
            elif output.setting not in self.deaf:
                self._at(self.runner.now + self.link, self._do(output))

    def _do(self, output: SetOrder) -> Callable[[float], Input]:
        def done(t: float) -> Input:
            if output.setting in self.broken:
                return OrderDone(t, output.order, False, None, "link lost")
            if output.setting not in self.ignored:
                self.settings[output.setting] = output.value
            return OrderDone(t, output.order, True, output.value)

        return done

    def _arm(self, output: ArmOrder) -> None:
        if output.role in self.deaf:
            return
        now = self.runner.now
        ok = output.role not in self.broken
        self._at(now + self.link, lambda t: OrderDone(t, output.order, ok, None, "" if ok else "no answer"))
        if self.edge is None or not ok:
            return
        trigger = now + self.edge

        def arrive(t: float) -> Input:
            if not self.capture_ok:
                return Captured(t, output.order, False, text="memory full")
            count = int((output.before + output.span) * output.rate)
            times = trigger - output.before + np.arange(count) / output.rate
            wave = 230.0 * np.sqrt(2.0) * np.sin(2.0 * np.pi * 50.0 * times)
            samples = np.vstack([wave for _ in output.channels])
            return Captured(
                t,
                output.order,
                True,
                output.channels,
                float(times[0]),
                output.rate,
                trigger,
                samples,
                self.not_carried,
            )

        self._at(trigger + output.span + 0.1, arrive)


def run(the_plan: RunPlan, **options: object) -> Bench:
    """A runner on a bench, run to its end."""
    return Bench(Runner(the_plan), **options).run()  # type: ignore[arg-type]
