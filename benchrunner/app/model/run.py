"""The state of one run as a screen shows it, built from the engine's events and from nothing else."""

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from benchrunner.app.model.mends import text_here
from benchrunner.app.model.signs import with_minus

if TYPE_CHECKING:
    from benchrunner.app.model.traces import Trace

EventDict = dict[str, Any]
STALE = 5.0  # s of bench time after which a value that did not come again is no longer shown
_MOST_NOTES = 500

VERDICTS = ("pass", "fail", "inconclusive", "not judged", "not applicable")


@dataclass(slots=True)
class StepState:
    """One step of the running order and how far it is."""

    index: int
    id: str
    title: str
    says: str = ""
    cautions: tuple[str, ...] = ()
    group: str = ""
    repeat: int = 0
    expected: float = 0.0
    at_most: float = 0.0
    checks: int = 0  # that it judges, `reached` included
    phase: str = "coming"  # coming, started, waiting, judged, done, failed, skipped
    text: str = ""
    waits_for: str = ""
    started: float | None = None
    ended: float | None = None


def judged(step: dict[str, Any]) -> int:
    """How many checks a step of `prepared` judges: those it lists, and whether its end was reached where that counts."""
    return len(step.get("checks", [])) + bool(step.get("reached"))


def _reached(step: dict[str, Any]) -> list[dict[str, Any]]:
    """The check that a step implies: that what it waits for came in time."""
    if not step.get("reached"):
        return []
    limit = {"measure": "reached", "unit": "s", "high": step.get("at_most"), "rule": "simple"}
    return [{"id": "reached", "title": str(step.get("awaits") or ""), **limit}]


@dataclass(slots=True)
class Note:
    """A line of what happened: `level` is info, warning, error, alarm, safe or guard."""

    at: float
    text: str
    level: str = "info"


@dataclass(slots=True)
class SafeOrder:
    """One order of making safe."""

    id: str
    says: str
    phase: str
    text: str = ""
    at: float = 0.0


@dataclass
class RunState:
    """Everything a screen shows of a run. `feed` it the engine's events in their order."""

    prepared: dict[str, Any] = field(default_factory=dict)
    state: str = ""  # the runner's state in its own words; "" before it started
    cause: str = ""
    at: float = 0.0  # newest bench time, s
    steps: list[StepState] = field(default_factory=list)
    checks: list[dict[str, Any]] = field(default_factory=list)
    traces: dict[str, "Trace"] = field(default_factory=dict)
    units: dict[str, str] = field(default_factory=dict)
    safe: list[SafeOrder] = field(default_factory=list)
    guards: list[dict[str, Any]] = field(default_factory=list)  # those that acted
    notes: list[Note] = field(default_factory=list)
    notes_ever: int = 0  # how many there were, also those no longer held
    question: dict[str, Any] | None = None
    ended: dict[str, Any] | None = None
    safe_since: float | None = None  # when making safe began, s
    missed: dict[str, int] = field(default_factory=dict)  # instrument -> polls missed so far
    safe_asked: bool = False  # make safe was asked for here; the engine has it, and acts on it when it can
    compiling: list[str] = field(default_factory=list)  # what the engine says of it before the run begins
    skew: list[str] = field(default_factory=list)  # what the engine says of it at the end
    paused_since: float | None = None  # while paused: since when, s
    changes: int = 0  # grows with each event that is not readings
    batches: int = 0  # grows with each batch of readings

    # ---------------------------------------------------------------- what is asked of it

    @property
    def simulated(self) -> bool:
        """Whether the bench is simulated; before that is known: False."""
        return bool(self.prepared.get("simulated"))

    @property
    def current(self) -> StepState | None:
        """The step that is going on."""
        return next((s for s in self.steps if s.started is not None and s.ended is None), None)

    @property
    def getting_ready(self) -> bool:
        """Whether an engine is at work on it that has not begun the run yet."""
        return bool(self.prepared) and not self.state and self.ended is None

    @property
    def refused(self) -> bool:
        """Whether it ended before anything was switched on (exit code 2)."""
        return self.ended is not None and int(self.ended.get("exit", 5)) == 2

    @property
    def planned_checks(self) -> int:
        """How many checks the running order holds."""
        return sum(step.checks for step in self.steps)

    def value(self, channel: str) -> float:
        """The newest reading of a channel; NaN if there is none, it was not valid, or it is too old to be shown."""
        trace = self.traces.get(channel)
        if trace is None or self.at - trace.last_time > STALE:
            return math.nan
        return trace.last

    def count(self, verdict: str) -> int:
        """How many checks fell with that verdict."""
        return sum(1 for check in self.checks if check.get("verdict") == verdict)

    def notes_since(self, seen: int) -> list[Note]:
        """The notes after the first `seen` ones, as far as they are still held."""
        new = self.notes_ever - seen
        return self.notes[-new:] if new > 0 else []

    # ---------------------------------------------------------------- events

    def feed(self, event: EventDict) -> None:
        """Take one event. Kinds that are not known are passed over: a newer engine may say more."""
        at = float(event.get("at") or 0.0)
        data = event.get("data") or {}
        if event["kind"] != "ended":
            self.at = max(self.at, at)
        take = getattr(self, "_on_" + str(event["kind"]).replace(" ", "_"), None)
        if take is None:
            return
        if event["kind"] == "readings":
            self.batches += 1
        else:
            self.changes += 1
        take(at, data)

    def expect(self, prepared: dict[str, Any]) -> None:
        """Show what a preview says will run until the engine says what does run."""
        if prepared:
            self._on_prepared(0.0, prepared)

    def _on_prepared(self, at: float, data: dict[str, Any]) -> None:
        self.prepared = data
        self.units = {str(c["name"]): str(c["unit"]) for c in data.get("channels", [])}
        self.steps = [
            StepState(
                index=int(s["index"]),
                id=str(s["id"]),
                title=str(s["title"]),
                says=str(s.get("says") or ""),
                cautions=tuple(str(c) for c in s.get("cautions") or ()),
                group=str(s.get("group") or ""),
                repeat=int(s.get("repeat") or 0),
                expected=float(s.get("expected") or 0.0),
                at_most=float(s.get("at_most") or 0.0),
                checks=judged(s),
            )
            for s in data.get("steps", [])
        ]

    def _on_readings(self, at: float, data: dict[str, Any]) -> None:
        from benchrunner.app.model.traces import Trace  # brings numpy, which the window can be opened without

        for name, points in (data.get("channels") or {}).items():
            trace = self.traces.get(name)
            if trace is None:
                trace = self.traces[name] = Trace()
            trace.extend(points["times"], points["values"])

    def _on_state(self, at: float, data: dict[str, Any]) -> None:
        self.state, self.cause = str(data.get("state", "")), str(data.get("cause", ""))
        self.paused_since = at if self.state == "paused" else None
        if self.state != "waiting for the operator":
            self.question = None
        if self.state == "making safe":
            self.safe_since = at
            self._say(
                at, f"Making the bench safe: {self.cause}.", "warning" if "last" not in self.cause else "info"
            )
            self._close_open_step(at)
        elif self.state == "paused":
            self._say(at, "Paused between two steps; guards stay live.")

    def _on_step(self, at: float, data: dict[str, Any]) -> None:
        index = int(data.get("index", -1))
        if not 0 <= index < len(self.steps):
            return
        step, phase, text = self.steps[index], str(data.get("phase", "")), str(data.get("text") or "")
        step.phase = phase
        if phase == "started":
            step.started, step.ended = at, None
            self._say(at, f"Step {index + 1} of {len(self.steps)}: {step.title}")
            for caution in step.cautions:
                self._say(at, f"Caution: {caution}", "warning")
        elif phase == "waiting":
            step.waits_for = with_minus(text)
        elif phase in ("done", "failed", "skipped"):
            step.ended = at
            if phase != "done":
                step.text = with_minus(text)
                self._say(
                    at,
                    f"{step.title}: {text or phase}" if phase == "failed" else f"{step.title}: {phase}",
                    "warning",
                )

    def _on_order(self, at: float, data: dict[str, Any]) -> None:
        if data.get("phase") == "failed":
            self._say(at, f"Order failed: {data.get('text', data.get('setting', ''))}", "error")

    def _on_check(self, at: float, data: dict[str, Any]) -> None:
        self.checks.append({**data, "at": at})

    def _on_capture(self, at: float, data: dict[str, Any]) -> None:
        phase = str(data.get("phase", ""))
        if phase not in ("arming", "armed"):
            says = {"in": "Waveform captured"}.get(phase, f"Capture {phase}")
            self._say(
                at, f"{says}: {data.get('text', '')}".rstrip(": "), "info" if phase == "in" else "warning"
            )

    def _on_ask(self, at: float, data: dict[str, Any]) -> None:
        self.question = dict(data)
        self._say(at, f"Question: {data.get('text', '')}")

    def _on_guard(self, at: float, data: dict[str, Any]) -> None:
        self.guards.append({**data, "at": at})
        self._say(at, f"Guard: {data.get('text') or data.get('id', '')}", "guard")

    def _on_safe(self, at: float, data: dict[str, Any]) -> None:
        phase, text = str(data.get("phase", "")), str(data.get("text") or "")
        for order in self.safe:
            if order.id == data.get("id"):
                order.phase, order.text, order.at = phase, text, at
                break
        else:
            self.safe.append(SafeOrder(str(data.get("id", "")), str(data.get("says", "")), phase, text, at))
        if phase in ("missed", "again"):
            self._say(at, f"{data.get('says', '')}: {phase}. {text}".strip(), "error")

    def _on_polling(self, at: float, data: dict[str, Any]) -> None:
        new = {str(name): int(count) for name, count in (data.get("missed") or {}).items()}
        for name, count in new.items():
            if count > self.missed.get(name, 0):
                self._say(at, f"{name}: {count} missed poll{'' if count == 1 else 's'} so far", "warning")
        self.missed = new

    def _on_note(self, at: float, data: dict[str, Any]) -> None:
        if data.get("about") == "skew":
            self.skew.append(with_minus(str(data.get("text", ""))))
        elif data.get("about") == "compiling":
            self.compiling.append(str(data.get("text", "")))
        self._say(at, text_here(str(data.get("text", ""))), str(data.get("level") or "info"))

    def _on_ended(self, at: float, data: dict[str, Any]) -> None:
        self.ended = dict(data)
        self.question = None
        if not self.refused:
            self._list_what_was_not_told()
        self._close_open_step(self.at)
        self.state = "ended"

    def _list_what_was_not_told(self) -> None:
        """A run that ended early leaves checks of which nobody said anything: listed as what they are, not judged."""
        told = {(str(check.get("step", "")), str(check.get("id", ""))) for check in self.checks}
        for step in self.prepared.get("steps", []):
            planned = [*step.get("checks", []), *_reached(step)]
            for check in planned:
                if len(self.checks) < self.planned_checks and (str(step["id"]), str(check["id"])) not in told:
                    says = {"verdict": "not judged", "reason": "the run ended before it was judged"}
                    self.checks.append({**check, "step": str(step["id"]), **says, "at": self.at})

    def _close_open_step(self, at: float) -> None:
        for step in self.steps:
            if step.started is not None and step.ended is None:
                step.ended = at
                step.phase = "stopped"

    def _say(self, at: float, text: str, level: str = "info") -> None:
        self.notes.append(Note(at, with_minus(text), level))
        self.notes_ever += 1
        del self.notes[:-_MOST_NOTES]
