"""A long journal for trials of cost: a bench with 24 channels at 10 Hz, journaled by the real `Journal`.

`python tests/speed/day.py FOLDER HOURS` writes it. The values wander as on a charging battery, with noise, in the digits
of each meter; polls and updates as on a bench of ten instruments: some replies repeat an update, some bring nothing.
"""

import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from benchrunner.core.messages import Event, Readings, Tick
from benchrunner.core.plan import Channel, RunPlan, Source
from benchrunner.procedure.running import RunningOrder
from benchrunner.record.facts import RunFacts, Verbatim
from benchrunner.record.journal import Journal

PERIOD = 0.1  # s
TOGETHER = 600  # rounds that are made at a time
# name, latency s, half-width of its time s, channels: name, unit, digits behind the point, level, slow swing, noise
SOURCES = (
    ("load", 0.008, 0.204, (("load.power", "W", 0, 1500.0, 900.0, 2.0),)),
    ("pv source", 0.008, 0.154, (("pv_source.power", "W", 0, 2600.0, 1800.0, 3.0),)),
    ("grid switch", 0.003, 0.0015, (("grid.closed", "1", 0, 1.0, 0.0, 0.0),)),
    ("bus meter", 0.004, 0.102, (
        ("bus.voltage", "V", 2, 230.0, 1.5, 0.05), ("bus.frequency", "Hz", 3, 50.6, 0.5, 0.002),
        ("battery_inverter.current", "A", 3, 8.0, 6.0, 0.01), ("battery_inverter.power", "W", 1, 1800.0, 1400.0, 1.0),
    )),
    ("pv meter", 0.004, 0.102, (
        ("pv.voltage", "V", 2, 230.4, 1.5, 0.05), ("pv.frequency", "Hz", 3, 50.6, 0.5, 0.002),
        ("pv.current", "A", 3, 9.0, 7.0, 0.01), ("pv.power", "W", 1, 2400.0, 1700.0, 1.0),
    )),
    ("grid meter", 0.004, 0.102, (
        ("grid.voltage", "V", 2, 231.0, 1.0, 0.05), ("grid.frequency", "Hz", 3, 50.0, 0.02, 0.001),
        ("grid.power", "W", 1, 0.0, 0.0, 0.3),
    )),
    ("battery meter", 0.003, 0.0515, (
        ("battery.voltage", "V", 3, 53.0, 2.5, 0.002), ("battery.current", "A", 2, 35.0, 30.0, 0.02),
        ("battery.power", "W", 1, 1850.0, 1600.0, 1.0),
    )),
    ("battery monitor", 0.03, 0.265, (
        ("battery.soc", "1", 3, 0.5, 0.45, 0.0), ("battery.cell_voltage_max", "V", 3, 3.32, 0.15, 0.0005),
        ("battery.cell_voltage_min", "V", 3, 3.30, 0.15, 0.0005),
    )),
    ("relays", 0.006, 0.003, (
        ("relays.pv_contactor", "1", 0, 1.0, 0.0, 0.0), ("relays.battery_contactor", "1", 0, 1.0, 0.0, 0.0),
        ("relays.inverter_enable", "1", 0, 1.0, 0.0, 0.0),
    )),
    ("interlock", 0.004, 0.002, (("interlock.closed", "1", 0, 1.0, 0.0, 0.0),)),
)  # fmt: skip


def facts(hours: float) -> RunFacts:
    """The head of such a run."""
    sources = tuple(Source(name, tuple(c[0] for c in channels), PERIOD) for name, _, _, channels in SOURCES)
    channels = {
        c[0]: Channel(c[0], c[1], 0.001, 0.0, 10.0 ** -c[2], 0.2, 0.1)
        for _, _, _, found in SOURCES
        for c in found
    }
    order = RunningOrder(f"{hours:g} hours", "How much it costs", ("common practice",), (), {}, {}, (), ())
    return RunFacts(
        plan=RunPlan(order, sources, channels, {}, (), (), simulated=True),
        procedure=Verbatim("long.toml", b"format = 1\n", f"{hours:g} hours"),
        pairing=Verbatim("tarn6-corrie5.toml", b"format = 1\n", "Tarn-6 with Corrie-5"),
        bench=Verbatim("bench.toml", b"simulated = true\n", "Bench for trials of cost"),
        laboratory="Highmoor Training Laboratory",
    )


def write_journal(folder: Path, hours: float) -> None:
    """Journal so many hours into `folder`."""
    rng = np.random.default_rng(7)
    order = sorted(range(len(SOURCES)), key=lambda k: SOURCES[k][1])
    rounds = round(hours * 3600.0 / PERIOD)
    seq = 0
    with Journal.create(folder, facts(hours)) as journal:
        for begin in range(0, rounds, TOGETHER):
            numbers = np.arange(begin, min(begin + TOGETHER, rounds)) + 1
            when = (numbers * PERIOD).tolist()
            columns = [_values(rng, numbers, channels) for _, _, _, channels in SOURCES]
            repeated = (numbers % 2 == 0).tolist()
            for k, t in enumerate(when):
                batch = []
                for index in order:
                    _, latency, spread, channels = SOURCES[index]
                    values = columns[index][k]
                    flags = ((1 << len(channels)) - 1) << 32 if repeated[k] and latency > 0.005 else 0
                    if flags:
                        values = columns[index][k - 1]
                    batch.append(Readings(t + latency, index, t + latency / 2, spread, values, flags))
                journal.input(seq + 1, Tick(t))
                journal.replies(seq + 2, batch)
                seq += 1 + len(batch)
            if begin % 36_000 == 0:
                data = {"index": 0, "id": "long", "phase": "waiting", "text": f"{begin * PERIOD:g} s"}
                journal.event(Event(float(when[-1]), "step", data))
        ended = {
            "exit": 0,
            "verdict": "not judged",
            "ended_by": "procedure",
            "finished": True,
            "safe": "not needed",
        }
        journal.event(Event(rounds * PERIOD, "ended", ended))


def _values(rng: np.random.Generator, numbers: np.ndarray, channels: tuple) -> list[tuple[float, ...]]:  # type: ignore[type-arg]
    found = []
    for k, (_, _, digits, level, swing, noise) in enumerate(channels):
        slow = level + swing * np.sin(numbers * (2.0 * np.pi * PERIOD / (20_000.0 + 700.0 * k)))
        exact = slow + noise * rng.standard_normal(len(numbers))
        found.append(np.rint(exact * 10.0**digits) / 10.0**digits)  # as the meter's text would be read
        if level == 0.0:
            found[-1] += 0.0  # a meter writes no -0.0
        if k == 1:
            found[-1][rng.random(len(numbers)) < 1e-4] = np.nan  # now and then a value is missing
    return list(zip(*(column.tolist() for column in found), strict=True))


if __name__ == "__main__":
    write_journal(Path(sys.argv[1]), float(sys.argv[2]))
