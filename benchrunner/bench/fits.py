"""Held against each other before a run: the bench card against safety, and a running order against the bench.

Nothing is opened here. Every problem is found at once.
"""

import datetime
from collections.abc import Iterator
from dataclasses import replace

from benchrunner.bench.plan import sources_and_channels
from benchrunner.cards.bench import Bench, InstrumentPart
from benchrunner.core.evidence import STATEFUL
from benchrunner.core.plan import Channel
from benchrunner.errors import Problem
from benchrunner.procedure.running import (
    Condition,
    PlannedCheck,
    PlannedOrder,
    PlannedProfile,
    PlannedStep,
    RunningOrder,
)

ENERGISES: dict[
    str, tuple[str, ...]
] = {  # class -> settings that can put energy on the bench, or let it through
    "pv_source": ("on",),
    "grid_switch": ("closed",),
    "grid_source": ("voltage",),
    "relay_board": ("pv_contactor", "battery_contactor", "inverter_enable"),
}
JOINS: dict[str, tuple[str, ...]] = {
    "grid_switch": ("closed",),
    "relay_board": ("pv_contactor", "battery_contactor"),
}

_PASS = "or --override calibration --by NAME --why TEXT"
MOST_LINES = 10  # of a profile that are out of range, listed


def check_bench(
    bench: Bench, today: datetime.date | None = None, *, with_calibration: bool = True
) -> list[Problem]:
    """What makes this bench unfit to run on: safe order, switches, interlock, calibration.

    Without calibration, nothing in it may be passed by name.
    """
    today = today or datetime.date.today()
    problems = [*_draft(bench), *_safe_order(bench), *_switches(bench), *_watching(bench)]
    if with_calibration and not bench.simulated:
        problems += _calibration(bench, today)
    return problems


def calibration(bench: Bench, today: datetime.date | None = None) -> list[Problem]:
    """What is past its due date on a real bench or has none: a gate that a named person may pass."""
    return [] if bench.simulated else [*_calibration(bench, today or datetime.date.today())]


def _draft(bench: Bench) -> Iterator[Problem]:
    if bench.card.draft:
        mend = "state what stands under TODO on the card, then remove draft = true"
        yield _problem(bench, ("draft",), "is true: the card was written by `find` and is not finished", mend)
        from benchrunner.bench.find.comparing import open_role

        for name in bench.card.instruments:
            if roles := open_role(bench, name):
                what = f"the role of {name} is still to be filled in"
                mend = f"trace its wires, and write one of: {', '.join(roles)}"
                yield _problem(bench, ("instruments", name, "role"), what, mend)


def calibration_notes(bench: Bench, today: datetime.date | None = None) -> list[str]:
    """For people and for the record: what is past its due date or has none. On a simulated bench the dates are invented."""
    today = today or datetime.date.today()
    return [f"{problem.where}: {problem.what}" for problem in _calibration(bench, today)]


def _safe_order(bench: Bench) -> Iterator[Problem]:
    covered = {part.set[0]: index for index, part in enumerate(bench.card.safe)}
    to_zero = {part.set[0] for part in bench.card.safe if bench.setting_value(*part.set) == 0.0}
    grid_opened = any(
        part.klass == "grid_switch" and f"{part.role}.closed" in to_zero
        for part in bench.card.instruments.values()
    )
    for name, part in bench.card.instruments.items():
        if part.klass == "grid_source" and grid_opened:
            continue  # it stays live upstream of the open grid switch
        for setting in ENERGISES.get(part.klass, ()):
            full = f"{part.role}.{setting}"
            if setting not in bench.drivers[name].settings or full in to_zero:
                continue
            what = f"{full} can energise the bench, and the safe order " + (
                "does not switch it off" if full in covered else "does not name it"
            )
            yield _problem(
                bench, ("instruments", name), what, f'add a [[safe]] order that sets "{full}" to false or 0'
            )
    for index, order in enumerate(bench.card.safe):
        setting, channel = order.set[0], order.confirm.channel
        reader = next(
            (n for n in bench.card.instruments if any(p.channel == channel for p in bench.placed(n))), ""
        )
        if reader and reader == bench.settings[setting][0] and not _has_contact(bench, reader):
            what = f"{setting} would be confirmed by {channel}, which the same instrument reads"
            yield _problem(bench, ("safe", index, "confirm"), what, "name a channel of another instrument")
    ids = [part.set[0] for part in bench.card.safe]
    contactor = next((k for k, s in enumerate(ids) if s.endswith(".battery_contactor")), None)
    if contactor is not None and contactor != len(ids) - 1:
        what = "opens the battery contactor before the last order"
        yield _problem(bench, ("safe", contactor), what, "put it last: it opens near zero current")


def _has_contact(bench: Bench, instrument: str) -> bool:
    # an auxiliary contact is a reading of its own, though the same box brings it
    return bench.drivers[instrument].klass in ("grid_switch", "relay_board")


def _switches(bench: Bench) -> Iterator[Problem]:
    live = set(bench.card.wiring.live)
    for name, part in bench.card.instruments.items():
        for setting in JOINS.get(part.klass, ()):
            if setting not in bench.drivers[name].settings:
                continue
            here = ("instruments", name, "between")
            nodes = part.between.get(setting)
            if nodes is None:
                what = f"does not say what {setting} joins"
                mend = f'add between = {{ {setting} = ["mains", "grid terminals"] }}, with your nodes'
                yield _problem(bench, here, what, mend)
            elif nodes[0] == nodes[1]:
                yield _problem(bench, here, f"{setting} joins {nodes[0]!r} with itself", "name two nodes")
            elif set(nodes) <= live and not part.synchronism_check:
                what = f"{setting} would join two live buses, {nodes[0]} and {nodes[1]}, without a synchronism check"
                mend = (
                    "put the switch upstream of the battery inverter's own transfer relay, or fit a synchronism-check "
                    "relay and say synchronism_check = true"
                )
                yield _problem(bench, here, what, mend)
        for setting in set(part.between) - set(bench.drivers[name].settings):
            yield _problem(bench, ("instruments", name, "between"), f"{setting!r} is no setting", "remove it")
    if not live and any(part.klass == "grid_switch" for part in bench.card.instruments.values()):
        what = "does not say which nodes can be live on their own"
        yield _problem(bench, ("wiring",), what, 'add [wiring] live = ["mains", "bus"]')


def _watching(bench: Bench) -> Iterator[Problem]:
    for name, part in bench.card.instruments.items():
        driver = bench.drivers[name]
        needed = driver.latency * len(driver.reads)
        if driver.reads and part.period < needed:
            what = f"is polled every {part.period:g} s, and one poll takes {needed:g} s"
            yield _problem(bench, ("instruments", name, "period"), what, "poll it less often")
    if not bench.card.interlock and not bench.simulated:
        inputs = [c for c in bench.channel_units if c.endswith(".closed") and _reads_interlock(bench, c)]
        mend = "wire the interlock chain to an input and name its channel"
        if inputs:
            mend += f': interlock = "{inputs[0]}" above the first [table] of the card'
        yield _problem(bench, ("interlock",), "is missing", mend)
    if not bench.card.guards and not bench.simulated:
        yield _problem(
            bench, ("guards",), "are missing", "give the limits of wiring and instruments as [[guards]]"
        )
    if not bench.card.safe:
        yield _problem(bench, ("safe",), "is missing", "give the safe order of this bench as [[safe]]")


def _reads_interlock(bench: Bench, channel: str) -> bool:
    return any(
        part.klass == "interlock" and any(place.channel == channel for place in bench.placed(name))
        for name, part in bench.card.instruments.items()
    )


def _calibration(bench: Bench, today: datetime.date) -> Iterator[Problem]:
    for name, part in bench.card.instruments.items():
        if part.due is not None and part.due < today:
            what = f"its calibration was due on {part.due}"
            yield _problem(
                bench,
                ("instruments", name, "due"),
                what,
                f"calibrate it, or bring the card up to date; {_PASS}",
            )
        elif part.due is None and part.accuracy and part.klass in ("ac_meter", "dc_meter"):
            what = "states an accuracy, and no calibration due date"
            yield _problem(bench, ("instruments", name), what, f"give calibrated and due; {_PASS}")


def _problem(bench: Bench, path: tuple[str | int, ...], what: str, mend: str) -> Problem:
    return bench.document.problem(path, what, mend)


# -- a running order on this bench


def fits(order: RunningOrder, bench: Bench) -> list[Problem]:
    """What keeps this running order from running on this bench; what many steps lack is told once, with their number."""
    places: dict[tuple[str, str], list[str]] = {}
    for problem in dict.fromkeys(_Fit(order, bench).problems()):
        places.setdefault((problem.what, problem.mend), []).append(problem.where)
    return [Problem(_first(where), what, mend) for (what, mend), where in places.items()]


def _first(places: list[str]) -> str:
    further = len(places) - 1
    return places[0] + (f" (and at {further} more place{'s' if further > 1 else ''})" if further else "")


class _Fit:
    def __init__(self, order: RunningOrder, bench: Bench) -> None:
        self.order, self.bench = order, bench
        _, self.channels, self.waveforms = sources_and_channels(bench)
        self.where = order.title

    def problems(self) -> Iterator[Problem]:
        yield from self._roles()
        for start in self.order.start:
            yield from self._polled(start.channel, f"{self.where}: start")
        for guard in self.order.guards:
            yield from self._polled(guard.channel, f"{self.where}: guard {guard.id}")
        for step in self.order.steps:
            yield from self._step(step, f"{self.where}: step {step.id}")

    def _roles(self) -> Iterator[Problem]:
        there: dict[str, set[str]] = {}
        for part in self.bench.card.instruments.values():
            there.setdefault(part.role, set()).add(part.klass)
        for name, part in self.bench.card.instruments.items():
            # a meter may serve a second role with some of its channels (bus.voltage, battery_inverter.power)
            for place in self.bench.placed(name):
                there.setdefault(place.channel.partition(".")[0], set()).add(part.klass)
        for role, classes in self.order.roles.items():
            for klass in classes:
                if klass not in there.get(role, set()):
                    have = ", ".join(sorted(there.get(role, set()))) or "nothing"
                    yield Problem(
                        f"{self.where}: role {role}",
                        f"needs an instrument of class {klass}; the bench {self.bench.card.title!r} has {have} there",
                        f'add an instrument with role = "{role}", class = "{klass}" to the bench card, or choose another bench',
                    )

    def _polled(self, channel: str, where: str) -> Iterator[Problem]:
        if channel and channel not in self.channels:
            what = f"the bench reads no channel {channel!r}"
            if channel in self.waveforms:
                what += " (a recorder has it, but only in a capture)"
            yield Problem(where, what, f"channels of this bench: {', '.join(sorted(self.channels))}")

    def _step(self, step: PlannedStep, where: str) -> Iterator[Problem]:
        for planned in step.do:
            if planned.setting not in self.bench.settings:
                known = ", ".join(sorted(self.bench.settings))
                yield Problem(
                    where,
                    f"no instrument of the bench has the setting {planned.setting!r}",
                    f"it has: {known}",
                )
                continue
            unit = self.bench.setting_unit(planned.setting)
            if planned.unit != unit:
                what = f"{planned.setting} is set in {planned.unit}, and the bench takes {unit}"
                yield Problem(where, what, f"give it in {unit}")
            low, high = self.bench.allowed(planned.setting)
            if planned.profile is not None:
                yield from self._profile(planned, planned.profile, where, unit, low, high)
            elif not low <= planned.value <= high:
                what = f"{planned.setting} = {planned.value:g} {unit} is out of range"
                yield Problem(where, what, f"this bench takes {low:g} to {high:g} {unit}")
        for condition in (step.requires, step.until):
            if condition is not None:
                yield from self._condition(condition, where)
        if step.capture is not None:
            yield from self._capture(step, where)
        captured = set(step.capture.channels) if step.capture is not None else set()
        for check in step.checks:
            yield from self._check(check, captured, f"{where}, check {check.id}")

    def _profile(
        self, planned: PlannedOrder, profile: PlannedProfile, where: str, unit: str, low: float, high: float
    ) -> Iterator[Problem]:
        """The values that the bench does not take, each with its line; one that goes on for lines is told once."""
        within = [True, *(low <= value <= high for value in profile.values)]
        for k in [k for k in range(len(profile.values)) if within[k] and not within[k + 1]][:MOST_LINES]:
            what = f"{planned.setting} = {profile.values[k]:g} {unit} is out of range"
            place = f"{where}: {profile.file}:{profile.lines[k]}, {planned.setting}"
            yield Problem(place, what, f"this bench takes {low:g} to {high:g} {unit}")

    def _condition(self, condition: Condition, where: str) -> Iterator[Problem]:
        yield from self._polled(condition.channel, where)
        for part in condition.parts:
            yield from self._condition(part, where)

    def _capture(self, step: PlannedStep, where: str) -> Iterator[Problem]:
        capture = step.capture
        assert capture is not None, "only called where there is one"
        recorder = self._recorder(capture.role)
        if recorder is None:
            yield Problem(
                where, f"the bench has no waveform recorder in role {capture.role!r}", "name one on the card"
            )
            return
        name, part = recorder
        card = self.bench.drivers[name].capture
        wired = {plug.channel for plug in part.inputs.values()}
        for channel in (*capture.channels, capture.trigger.channel):
            if channel not in wired:
                what = f"{channel} is on no input of {name}"
                mend = (
                    f"wired there: {', '.join(sorted(wired)) or 'nothing'}; wire it, and give its input on the bench "
                    f'card under [instruments.{name}.inputs]: NUMBER = {{ channel = "{channel}", ratio = RATIO }}'
                )
                yield Problem(where, what, mend)
        if card is not None and capture.rate > card.highest_rate:
            yield Problem(
                where, f"asks for {capture.rate:g} samples/s", f"{name} does {card.highest_rate:g} at most"
            )
        if card is not None and capture.before + capture.span > card.longest:
            what = f"asks for {capture.before + capture.span:g} s of waveform"
            yield Problem(where, what, f"{name} keeps {card.longest:g} s at most")

    def _recorder(self, role: str) -> tuple[str, InstrumentPart] | None:
        for name, part in self.bench.card.instruments.items():
            if part.role == role and self.bench.drivers[name].capture is not None:
                return name, part
        return None

    def _check(self, check: PlannedCheck, captured: set[str], where: str) -> Iterator[Problem]:
        if check.measure in STATEFUL:
            yield from self._wiring(check, where)
        names = [check.of, *(v for v in check.arguments.values() if isinstance(v, str))]
        for name in names:
            if not name or "." not in name:
                continue
            if check.needs == "waveform":
                if name not in self.waveforms:
                    what = f"{check.measure} needs a waveform of {name}, and no recorder input is wired to it"
                    yield Problem(
                        where, what, f"captured here: {', '.join(sorted(self.waveforms)) or 'nothing'}"
                    )
                elif name not in captured:
                    what = f"{check.measure} needs a waveform of {name}, and the step captures none"
                    yield Problem(where, what, f'add "{name}" to the step\'s capture')
            elif check.needs == "half-cycle":
                channel: Channel | None = self.channels.get(name)
                if name not in captured and (channel is None or channel.delivers == "polled"):
                    what = f"{check.measure} needs half-cycle values of {name}; this bench only polls it"
                    yield Problem(
                        where,
                        what,
                        f'add "{name}" to the step\'s capture, or use a meter with half-cycle values',
                    )
            elif name not in self.channels and not (name in captured and name in self.waveforms):
                yield from self._polled(name, where)
        if check.rule == "guarded" and check.of:
            found = self.waveforms.get(check.of) if check.needs == "waveform" else self.channels.get(check.of)
            if found is not None and not found.evaluated:
                what = f"is judged guarded, and the bench card states no accuracy for {check.of}"
                yield Problem(
                    where, what, f'give {self._accuracy_of(check)}, or rule = "simple" in the procedure'
                )

    def _wiring(self, check: PlannedCheck, where: str) -> Iterator[Problem]:
        """Meters held against each other need an accuracy each: else the proof would end without a finding, and live."""
        from benchrunner.measure.wiring_rules import CIRCUITS

        for circuit in CIRCUITS:
            channel = self.channels.get(f"{circuit}.power")
            if channel is None and circuit in ("grid", "battery_inverter", "load"):
                yield from self._polled(f"{circuit}.power", where)
            elif channel is not None and not channel.evaluated:
                what = f"holds {channel.name} against the other meters, and the bench card states no accuracy for it"
                yield Problem(where, what, f"give {self._accuracy_of(replace(check, of=channel.name))}")

    def _accuracy_of(self, check: PlannedCheck) -> str:
        """Where on the bench card the accuracy of a check's channel belongs."""
        if check.needs != "waveform":
            for name in self.bench.card.instruments:
                for place in self.bench.placed(name):
                    if place.channel == check.of:
                        return f"its limits of error on the bench card: [instruments.{name}.accuracy] {place.quantity} = {{ of_reading = ..., of_range = ... }}"
        return "its limits of error at its input on the bench card: of_reading, of_range"
