"""The running order: what a procedure becomes once its parameters, pairing and bench are known.

Everything here is a plain number in SI, a name or a text: loops and repeats are unrolled, arithmetic is done. It is
shown in full before the run, frozen into the record, and is all that the core knows of a procedure.
"""

from dataclasses import dataclass, field
from typing import Literal

ConditionKind = Literal[
    "settled", "above", "below", "between", "is", "elapsed", "answered", "captured", "all", "any"
]
Rule = Literal["simple", "guarded"]
DataClass = Literal["polled", "half-cycle", "waveform"]


@dataclass(frozen=True, slots=True)
class Condition:
    """Something that holds or does not. Numbers in the channel's SI unit.

    `settled`: the readings of the last `hold` seconds span at most `2 * within`; `above`/`below`/`between`/`is`:
    every reading of the last `hold` seconds satisfies the bound (`is`: within `within` of `low`); `elapsed`: `hold`
    seconds since the step's orders were confirmed; `answered`, `captured`: the step's question or capture is in.
    """

    kind: ConditionKind
    text: str
    channel: str = ""
    unit: str = "1"
    low: float | None = None
    high: float | None = None
    within: float = 0.0
    hold: float = 0.0
    parts: tuple["Condition", ...] = ()


@dataclass(frozen=True, slots=True)
class PlannedProfile:
    """One column of a profile file: value k (SI) at time k (s from the order), as line k of the file says it.

    A value holds until the next. The values are the file's times `base`, which is 1 unless the file gives shares of it.
    """

    file: str
    sha256: str  # of the file's bytes, which the record carries
    lines: tuple[int, ...]
    times: tuple[float, ...]  # rising, none below 0
    values: tuple[float, ...]
    base: float = 1.0
    straight: bool = False  # straight lines from value to value, in steps of at least the order's `every`


@dataclass(frozen=True, slots=True)
class PlannedOrder:
    """One setting. With `ramp` (s) the value moves there linearly in steps of at least `every` seconds.

    With `profile` it follows that, and `value` is where it ends.
    """

    setting: str  # "load.power"
    value: float  # a switch is 0.0 or 1.0
    unit: str
    text: str
    together: bool = False  # do not wait for its confirmation before the next
    ramp: float = 0.0
    every: float = 0.5
    profile: PlannedProfile | None = None

    @property
    def moving(self) -> float:
        """How long the value is on its way, s; 0: it is set at once."""
        return self.profile.times[-1] if self.profile is not None and self.profile.times else self.ramp


@dataclass(frozen=True, slots=True)
class Trigger:
    """The measured edge: the half-cycle RMS (AC) or the level (DC) of `channel` moves by `change` within a cycle."""

    channel: str
    change: float
    unit: str


@dataclass(frozen=True, slots=True)
class PlannedCapture:
    """Armed and confirmed before the step's orders; kept from `before` seconds ahead of the trigger to `span` after."""

    role: str  # "scope"
    channels: tuple[str, ...]
    trigger: Trigger
    span: float
    before: float = 0.2
    rate: float = 20_000.0  # samples/s, at least


@dataclass(frozen=True, slots=True)
class PlannedCheck:
    """One judgement. `window`: over which part of the step the measure looks.

    `id` is the procedure's own, without a group's prefix; step id and check id together are unique in a running order.
    """

    id: str
    measure: str  # a name of benchrunner.measure.catalogue
    of: str  # channel, or "" where the measure needs none
    unit: str  # of the measure's value
    low: float | None
    high: float | None
    rule: Rule
    title: str = ""
    k: float = 2.0
    needs: DataClass = "polled"
    window: Literal["step", "settled", "after-settled"] = "step"
    last: float = 0.0  # s; > 0: only the last so many seconds of the window
    arguments: dict[str, float | str] = field(default_factory=dict)  # SI numbers and channel names
    basis: str = "common practice"
    limit_text: str = ""  # as the procedure wrote it, for people
    ends: bool = False  # where it fails, the run ends after its step: made safe, finished, verdict fail


@dataclass(frozen=True, slots=True)
class Question:
    """Asked of the operator; `choices` empty: a number in `unit`, or free text where `unit` is empty."""

    text: str
    choices: tuple[str, ...] = ()
    unit: str = ""
    go_on: tuple[str, ...] = ()  # the answers with which the run goes on; empty: every answer


@dataclass(frozen=True, slots=True)
class PlannedStep:
    """One step as it will run."""

    id: str  # unique in the running order: "drop", "levels[2]/set", "outage[3]/lose"
    title: str
    says: str = ""
    cautions: tuple[str, ...] = ()
    requires: Condition | None = None
    capture: PlannedCapture | None = None
    do: tuple[PlannedOrder, ...] = ()
    ask: Question | None = None
    until: Condition | None = None  # None: done once its orders are confirmed
    at_most: float = 60.0
    if_not: Literal["fail", "stop"] = "stop"
    checks: tuple[PlannedCheck, ...] = ()
    group: str = ""  # "outage" for the steps of a repeated group
    repeat: int = 0  # 1..n within the group
    random_delay: float = (
        0.0  # s; a seeded wait of 0..this before the orders, so that repeats fall anywhere on the wave
    )
    expected: float = 0.0  # s; for the course on screen before there is a rehearsal


@dataclass(frozen=True, slots=True)
class GroupCheck:
    """Judges one check over all repeats of a group: its worst value or its spread (max - min)."""

    id: str
    group: str
    check: str  # the id of the step's check without the group's prefix
    over: Literal["worst", "spread"]
    low: float | None
    high: float | None
    unit: str
    rule: Rule
    k: float = 2.0
    title: str = ""
    basis: str = "common practice"
    limit_text: str = ""


@dataclass(frozen=True, slots=True)
class StartCondition:
    """The state in which the procedure must find the bench (`low <= channel <= high`)."""

    channel: str
    low: float
    high: float
    unit: str


@dataclass(frozen=True, slots=True)
class PlannedGuard:
    """A trip limit. `delay`: for how long it must be crossed."""

    id: str
    channel: str
    low: float | None
    high: float | None
    unit: str
    delay: float
    says: str
    origin: Literal["bench card", "pairing card", "procedure"]
    acts_within: float = 0.0  # s from the crossing to the first safe order; 0: not worked out


@dataclass(frozen=True, slots=True)
class RunningOrder:
    """The whole procedure, ready to run."""

    title: str
    purpose: str
    basis: tuple[str, ...]
    cautions: tuple[str, ...]
    roles: dict[str, tuple[str, ...]]  # role -> classes
    parameters: dict[str, tuple[float, str]]  # name -> (SI value, unit)
    start: tuple[StartCondition, ...]
    steps: tuple[PlannedStep, ...]
    guards: tuple[PlannedGuard, ...] = ()
    group_checks: tuple[GroupCheck, ...] = ()
