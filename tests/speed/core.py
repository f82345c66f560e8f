"""What the runner's core costs per reply, against a bare loop that only compares each guarded value with its bounds.

`python tests/speed/core.py [hours]`: eight instruments with three channels each, polled at 10 Hz (80 replies a second), six
guards, an interlock, one long step with a condition and two checks over its whole length. Closes with one JSON line.
"""

import gc
import json
import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from benchrunner.core.messages import OrderDone, Readings, SetOrder, Tick
from benchrunner.core.plan import Channel, RunPlan, SafeStep, Source
from benchrunner.core.runner import Runner
from benchrunner.procedure.running import (
    Condition,
    PlannedCheck,
    PlannedGuard,
    PlannedOrder,
    PlannedStep,
    RunningOrder,
)

INSTRUMENTS, CHANNELS, RATE = 8, 3, 10.0
TOGETHER = INSTRUMENTS + 1  # replies in a round of polls, which the engine hands over in one go


def the_plan(seconds: float) -> RunPlan:
    meters = [
        Source(f"m{i}", tuple(f"m{i}.c{k}" for k in range(CHANNELS)), 1.0 / RATE) for i in range(INSTRUMENTS)
    ]
    sources = (*meters, Source("door", ("interlock.closed",), 1.0 / RATE))
    channels = {name: Channel(name, "V", of_reading=0.001) for source in sources for name in source.channels}
    guards = tuple(
        PlannedGuard(f"g{i}", f"m{i}.c0", 0.0, 300.0, "V", 0.2, "", "bench card") for i in range(6)
    )
    until = Condition(
        "all",
        "long",
        parts=(Condition("elapsed", "t", hold=seconds), Condition("above", "a", "m1.c1", low=1.0, hold=30.0)),
    )
    checks = (
        PlannedCheck("max", "maximum", "m0.c0", "V", None, 300.0, "simple"),
        PlannedCheck("min", "minimum", "m2.c0", "V", 1.0, None, "simple"),
    )
    step = PlannedStep(
        "long",
        "Long",
        do=(PlannedOrder("load.power", 1.0, "W", ""),),
        until=until,
        at_most=seconds * 2.0,
        checks=checks,
    )
    safe = (SafeStep("off", "load.power", 0.0, "Off", "m0.c0", None, 300.0, 1.0),)
    order = RunningOrder("Speed", "", (), (), {}, {}, (), (step,))
    return RunPlan(order, sources, channels, {}, guards, safe, "interlock.closed")


def replies(seconds: float, offset: float = 0.0) -> list[Readings]:
    found = []
    for n in range(round(seconds * RATE)):
        for i in range(INSTRUMENTS + 1):
            at = offset + n / RATE + 0.001 * i
            wobble = ((n * 7919 + i) % 101) * 1e-3
            values = (1.0,) if i == INSTRUMENTS else (230.0 + wobble, 50.0 + wobble, 3000.0 + wobble)
            found.append(Readings(at + 0.002, i, at, 0.002, values))
    return found


def peak_memory() -> float:
    """Peak resident memory of this process so far, MB (0 where the system does not say)."""
    try:
        import resource
    except ImportError:
        return 0.0
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0


def main(hours: float) -> int:
    seconds = hours * 3600.0
    runner = Runner(the_plan(seconds))
    runner.start(0.0)
    spent = bare_spent = 0.0
    count = 0
    guards = [(i, 0, 0.0, 300.0) for i in range(6)] + [(INSTRUMENTS, 0, 0.999, 1.001)]
    by_source = [[(k, low, high) for i, k, low, high in guards if i == s] for s in range(INSTRUMENTS + 1)]
    chunk = 60.0
    blocks = int(seconds / chunk) + 1
    early = 0.0
    for block in range(blocks):
        inputs = replies(chunk, block * chunk)
        gc.collect()
        gc.disable()
        begin = time.process_time()
        at = 0
        while at < len(inputs):
            batch = inputs[at : at + TOGETHER]
            if kept := runner.uneventful(batch):
                runner.keep(batch if kept == len(batch) else batch[:kept])
                at += kept
                continue
            for output in runner.feed(inputs[at]):
                if isinstance(output, SetOrder):
                    runner.feed(OrderDone(inputs[at].arrived, output.order, True))
            at += 1
        spent += time.process_time() - begin
        begin = time.process_time()
        for item in inputs:
            values = item.values
            for k, low, high in by_source[item.source]:
                if not low <= values[k] <= high:
                    raise SystemExit("crossed")
        bare_spent += time.process_time() - begin
        gc.enable()
        count += len(inputs)
        if block == 5:
            early = peak_memory()
    tail = (blocks + 1) * chunk
    while not runner.ended:
        tail += 0.1
        runner.feed(Tick(tail))
    per_reply, bare = spent / count * 1e6, bare_spent / count * 1e6
    print(f"{count} replies over {hours:g} h of bench time")
    print(
        f"core: {per_reply:.2f} us per reply, bare comparison: {bare:.2f} us per reply, ratio {per_reply / bare:.1f}"
    )
    kept = 24 * RATE * seconds * 2 / 1e6
    grown = peak_memory() - early
    print(f"core alone: {seconds / spent:.0f} times real time; run ended with exit code {runner.exit_code}")
    print(
        f"peak memory grew by {grown:.1f} MB since minute 5; the two judged channels keep {kept:.1f} MB of readings"
    )
    figures = {"core_us_per_reply": per_reply, "bare_us_per_reply": bare, "ratio": per_reply / bare, "replies": count,
               "grown_mb": grown, "kept_mb": kept}  # fmt: skip
    print(json.dumps(figures))
    return 0


if __name__ == "__main__":
    sys.exit(main(float(sys.argv[1]) if len(sys.argv) > 1 else 0.5))
