"""What a procedure file may hold: the form of a procedure, before any value in it is worked out.

One step form: *do* something, *until* something holds, then judge. A group is a step that holds steps and runs them
several times. Everything that can be a value stays text here; `arithmetic` and `order` give it meaning. Keys that are
not known are refused.
"""

from typing import Annotated, Any, Literal

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    PrivateAttr,
    StringConstraints,
    WithJsonSchema,
    model_validator,
)

from benchrunner.cards.reading import Document, KeyPath, Mended
from benchrunner.procedure.arithmetic import LONGEST
from benchrunner.procedure.profile import ProfileFile

FORMAT = 1

Amount = (
    str | int | float
)  # a value: "2.4 kW", "101 % * load_before", or a plain number for a ratio or a count
OrderValue = str | int | float | bool


def _amount(value: object) -> object:
    if isinstance(value, bool) or not isinstance(value, str | int | float):
        raise Mended(f"is {_short(value)}, not a value", "write number and unit in quotes, such as '2.4 kW'")
    if isinstance(value, str) and len(value) > LONGEST:
        raise Mended(
            f"is {len(value):,} characters long",
            f"at most {LONGEST} are read; name parts of it under [values]",
        )
    return value


def _order_value(value: object) -> object:
    return value if isinstance(value, bool) else _amount(value)


def _not_blank(value: str) -> str:
    if not value.strip():
        raise Mended("is blank", "say it in words")
    return value


_AMOUNT_SCHEMA = {"anyOf": [{"type": "string", "minLength": 1, "maxLength": LONGEST}, {"type": "number"}]}
AmountField = Annotated[Amount, BeforeValidator(_amount), WithJsonSchema(_AMOUNT_SCHEMA)]
OrderValueField = Annotated[
    OrderValue,
    BeforeValidator(_order_value),
    WithJsonSchema({"anyOf": [*_AMOUNT_SCHEMA["anyOf"], {"type": "boolean"}]}),
]
_BLANK = Field(json_schema_extra={"pattern": r"\S"})
Line = Annotated[str, StringConstraints(max_length=200), AfterValidator(_not_blank), _BLANK]
Text = Annotated[str, StringConstraints(max_length=2000), AfterValidator(_not_blank), _BLANK]
ChannelName = Annotated[
    str, StringConstraints(max_length=80, pattern=r"^[a-z][a-z0-9_]{0,39}\.[a-z][a-z0-9_]{0,39}$")
]
Word = Annotated[str, StringConstraints(max_length=40, pattern=r"^[a-z][a-z0-9_]{0,39}$")]
Ident = Annotated[str, StringConstraints(max_length=40, pattern=r"^[a-z][a-z0-9_-]{0,39}$")]
ProfileName = Annotated[
    str, StringConstraints(max_length=80, pattern=r"^[A-Za-z0-9][A-Za-z0-9_-]*[.]csv$")
]  # of a file in the procedure's own folder
RuleName = Literal["simple", "guarded"]


def _short(value: object) -> str:
    text = repr(value)
    return text if len(text) <= 60 else text[:57] + "..."


class Part(BaseModel):
    """Common to all parts: unknown keys are refused, nothing is converted silently, nothing changes later."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)


class Parameter(Part):
    """A value that a person may choose with `--set name=value`, within its range."""

    value: AmountField = Field(
        description="the value unless another is set; may be arithmetic over pairing values"
    )
    range: Annotated[list[AmountField], Field(min_length=2, max_length=2)] = Field(
        description="least and largest"
    )
    says: Line = Field(description="what it is, in words")


class Condition(Part):
    """Something that holds or does not. Exactly one of the keys that name its kind."""

    settled: ChannelName | None = Field(
        None, description="the readings of the last `for` stay within ± `within`"
    )
    above: ChannelName | None = Field(None, description="every reading of the last `for` is above `value`")
    below: ChannelName | None = Field(None, description="every reading of the last `for` is below `value`")
    between: ChannelName | None = Field(
        None, description="every reading of the last `for` is from `low` to `high`"
    )
    is_: ChannelName | None = Field(None, alias="is", description="every reading is `value` ± `within`")
    elapsed: AmountField | None = Field(None, description="so long since the step's orders were confirmed")
    answered: Literal[True] | None = Field(None, description="the operator has answered the step's question")
    captured: Literal[True] | None = Field(None, description="the step's capture is in")
    all_: Annotated[list["Condition"], Field(min_length=1, max_length=8)] | None = Field(None, alias="all")
    any_: Annotated[list["Condition"], Field(min_length=1, max_length=8)] | None = Field(None, alias="any")
    value: AmountField | None = None
    within: AmountField | None = None
    low: AmountField | None = None
    high: AmountField | None = None
    base: AmountField | None = Field(None, description="what a percentage in this condition is of")
    hold: AmountField | None = Field(None, alias="for", description="for how long it must hold")

    @property
    def kind(self) -> str:
        """The key that names the kind: `settled`, `above`, ..."""
        return next(kind for kind in KINDS if getattr(self, _ATTRIBUTE.get(kind, kind)) is not None)

    @model_validator(mode="after")
    def _one_kind(self) -> "Condition":
        given = [kind for kind in KINDS if getattr(self, _ATTRIBUTE.get(kind, kind)) is not None]
        if len(given) != 1:
            found = f"names {' and '.join(given)}" if given else "does not say what must hold"
            raise Mended(
                found,
                f"give exactly one of {', '.join(KINDS)}; join several under all = [...] or any = [...]",
            )
        kind = given[0]
        needed, allowed = _NEEDS[kind]
        for key in (*_OPERANDS, "for"):
            present = getattr(self, "hold" if key == "for" else key) is not None
            if key in needed and not present:
                raise Mended(f"({kind}) is missing {key!r}", f"add {key} = ...")
            if present and key not in needed and key not in allowed:
                raise Mended(
                    f"({kind}) has no use for {key!r}",
                    f"remove it; {kind} takes {', '.join((*needed, *allowed)) or 'nothing else'}",
                )
        return self


KINDS = ("settled", "above", "below", "between", "is", "elapsed", "answered", "captured", "all", "any")
_ATTRIBUTE = {"is": "is_", "all": "all_", "any": "any_"}
_OPERANDS = ("value", "within", "low", "high", "base")
_NEEDS: dict[str, tuple[tuple[str, ...], tuple[str, ...]]] = {
    "settled": (("within", "for"), ("base",)),
    "above": (("value",), ("base", "for")),
    "below": (("value",), ("base", "for")),
    "between": (("low", "high"), ("base", "for")),
    "is": (("value",), ("within", "base", "for")),
    "elapsed": ((), ()),
    "answered": ((), ()),
    "captured": ((), ()),
    "all": ((), ()),
    "any": ((), ()),
}


class Order(Part):
    """One setting: `["load.power", "2 kW"]`, or as a table where it ramps or need not wait."""

    set: ChannelName = Field(description="role.setting")
    to: OrderValueField | None = Field(None, description="the value; a switch is true or false")
    profile: ProfileName | None = Field(
        None, description="instead of `to`: a CSV file beside this one, whose column of this name is followed"
    )
    base: AmountField | None = Field(None, description="what a column of the profile in % is of")
    over: AmountField | None = Field(None, description="ramp there linearly in so long")
    every: AmountField | None = Field(
        None,
        description="least time between two steps of the ramp; with a profile: straight lines between its values",
    )
    together: bool = Field(False, description="do not wait for its confirmation before the next order")

    @model_validator(mode="after")
    def _either(self) -> "Order":
        if (self.to is None) == (self.profile is None):
            raise Mended(
                f"({self.set}) has {'neither a value nor' if self.to is None else 'a value and'} a profile",
                'give either to = ... or profile = "file.csv"',
            )
        for key in ("over",) if self.profile is not None else ("base",):
            if getattr(self, key) is not None:
                beside = "a profile" if self.profile is not None else "a value"
                raise Mended(f"({self.set}) has {key!r} beside {beside}", f"remove {key!r}")
        return self


def _order(value: object) -> object:
    """The short form as the table it stands for."""
    if isinstance(value, list):
        if len(value) != 2 or not isinstance(value[0], str):
            raise Mended(
                f"is {_short(value)}, not an order",
                'write ["role.setting", value], such as ["load.power", "2 kW"]',
            )
        return {"set": value[0], "to": value[1]}
    if not isinstance(value, dict | Order):
        raise Mended(
            f"is {_short(value)}, not an order",
            'write ["role.setting", value], such as ["load.power", "2 kW"]',
        )
    return value


OrderField = Annotated[Order, BeforeValidator(_order)]


class Edge(Part):
    """What a capture triggers on: the half-cycle RMS (AC) or the level (DC) moves by so much within a cycle."""

    on: ChannelName
    change: AmountField
    base: AmountField | None = None


class Capture(Part):
    """A waveform, armed and confirmed before the step's orders."""

    with_: Word = Field(alias="with", description="role of the waveform instrument")
    of: Annotated[list[ChannelName], Field(min_length=1, max_length=16)] = Field(
        description="channels to capture"
    )
    hold: AmountField = Field(alias="for", description="span kept after the trigger")
    before: AmountField = Field("200 ms", description="span kept before the trigger")
    rate: AmountField = Field("20 kHz", description="samples per second, at least")
    trigger: Edge | None = Field(
        None, description="without it: the first current, else the first voltage, moves clearly"
    )


class Ask(Part):
    """A question to the operator."""

    text: Text
    choices: Annotated[list[Line], Field(max_length=12)] = []
    unit: Annotated[str, StringConstraints(max_length=12)] = ""
    go_on: Annotated[list[Line], Field(max_length=12)] = Field(
        [],
        description="choices with which the run goes on; with any other it stops (empty: with every answer)",
    )


class Bound(Part):
    """What checks and checks over repeats share: the limit and how it is judged."""

    id: Ident
    title: Line | None = None
    low: AmountField | None = None
    high: AmountField | None = None
    base: AmountField | None = Field(None, description="what a percentage in the limits is of")
    rule: RuleName = Field(
        "guarded", description="decision rule: simple, or guarded by the expanded uncertainty"
    )
    k: Annotated[float, Field(ge=1.0, le=4.0)] = Field(2.0, description="coverage factor")
    basis: Line = Field("common practice", description="where the limit comes from")

    @model_validator(mode="after")
    def _bounded(self) -> "Bound":
        if self.low is None and self.high is None:
            raise Mended(
                f"({self.id}) has no limit", "add low, high or both; a value without a limit is no check"
            )
        return self


class Check(Bound):
    """One judgement: a measure of a channel against a limit."""

    measure: Annotated[str, StringConstraints(max_length=40)] = Field(
        description="a measure of the catalogue"
    )
    of: ChannelName | None = Field(None, description="the channel, where the measure needs one")
    given: Annotated[dict[str, AmountField], Field(max_length=8)] = Field(
        {}, description="the measure's arguments"
    )
    over: Literal["step", "settled", "after-settled"] = Field(
        "step", description="the whole step, the time in which it counted as settled, or from then on"
    )
    last: AmountField | None = Field(None, description="only the last so long of it")
    on_fail: Literal["go-on", "end"] = Field(
        "go-on",
        description="end: where this check fails, the run ends after its step, made safe, and counts as finished",
    )


class Overall(Bound):
    """Judges one check over all repeats of a group: its worst value or its spread."""

    check: Ident = Field(description="id of a check in the group")
    over: Literal["worst", "spread"]


class Guard(Part):
    """A trip limit that this procedure adds, or a nearer one than the cards have."""

    id: Ident
    channel: ChannelName
    low: AmountField | None = None
    high: AmountField | None = None
    base: AmountField | None = None
    delay: AmountField = "0 s"
    says: Line

    @model_validator(mode="after")
    def _bounded(self) -> "Guard":
        if self.low is None and self.high is None:
            raise Mended(f"({self.id}) has no limit", "add low, high or both")
        return self


_STEP_ONLY = (
    "requires",
    "capture",
    "do",
    "ask",
    "until",
    "at_most",
    "if_not",
    "checks",
    "random_delay",
    "expected",
)


class Step(Part):
    """Does something, until something holds, then judges; or, with `steps`, a group that runs them several times."""

    id: Ident
    title: Line
    says: Text | None = Field(None, description="read out in teaching")
    cautions: Annotated[list[Text], Field(max_length=12)] = []
    requires: Condition | None = Field(
        None, description="without it the step means nothing; refused to go on"
    )
    capture: Capture | None = None
    do: Annotated[list[OrderField], Field(max_length=40)] = Field([], description="orders in their sequence")
    ask: Ask | None = None
    until: Condition | None = None
    at_most: AmountField = Field("60 s", description="longest wait for `until`")
    if_not: Literal["fail", "stop"] | None = Field(
        None, description="default: fail where the step judges, stop where it prepares"
    )
    random_delay: AmountField | None = Field(
        None, description="a random wait of up to so long before the orders"
    )
    expected: AmountField | None = Field(None, description="how long the step usually takes")
    checks: Annotated[list[Check], Field(max_length=40)] = []
    # groups
    repeats: AmountField | None = Field(None, description="run the steps so many times")
    each: (
        Annotated[
            dict[Word, Annotated[list[AmountField], Field(min_length=1, max_length=100)]],
            Field(min_length=1, max_length=3),
        ]
        | None
    ) = Field(None, description="run the steps once for each value; several lists go side by side")
    shuffled: bool = Field(
        False, description="take the values of `each` in a random order (repeatable by the run's seed)"
    )
    steps: Annotated[list["Step"], Field(min_length=1, max_length=60)] | None = None
    overall: Annotated[list[Overall], Field(max_length=40)] = Field([], description="checks over all repeats")

    @property
    def is_group(self) -> bool:
        """Whether it holds steps instead of doing something itself."""
        return self.steps is not None

    @model_validator(mode="after")
    def _either(self) -> "Step":
        given = self.model_fields_set
        if self.steps is None:
            wrong = [str(key) for key in ("repeats", "each", "shuffled", "overall") if key in given]
            if wrong:
                raise Mended(
                    f"({self.id}) has {wrong[0]!r} but no steps of its own",
                    "put the steps to be repeated under [[steps.steps]]",
                )
            return self
        wrong = [str(key) for key in _STEP_ONLY if key in given]
        if wrong:
            raise Mended(
                f"({self.id}) is a group and has {wrong[0]!r}",
                "a group only holds steps; move it into one of them",
            )
        if (self.repeats is None) == (self.each is None):
            raise Mended(
                f"({self.id}) holds steps but does not say how often",
                "give either repeats = n or each = { name = [...] }",
            )
        if self.each is not None and len({len(values) for values in self.each.values()}) > 1:
            raise Mended(
                f"({self.id}) has lists of unequal length under 'each'",
                "lists that go side by side have one length",
            )
        if self.shuffled and self.each is None:
            raise Mended(f"({self.id}) shuffles repeats, which are all alike", "remove 'shuffled'")
        return self


RoleClasses = Annotated[
    str | list[str],
    BeforeValidator(lambda value: _role(value)),
    WithJsonSchema(
        {
            "anyOf": [
                {"type": "string"},
                {"type": "array", "items": {"type": "string"}, "minItems": 1, "maxItems": 6},
            ]
        }
    ),
]


def _role(value: Any) -> Any:
    if isinstance(value, str) or (
        isinstance(value, list) and 0 < len(value) <= 6 and all(isinstance(v, str) for v in value)
    ):
        return value
    raise Mended(
        f"is {_short(value)}, not a class", 'write a class, such as "ac_meter", or a list of classes'
    )


class Procedure(Part):
    """One scripted test."""

    format: Literal[1] = Field(description="version of this file format")
    title: Line
    purpose: Text = Field(description="what the test is to show")
    basis: Annotated[list[Line], Field(min_length=1, max_length=20)] = Field(
        description="standards, papers, or common practice"
    )
    cautions: Annotated[list[Text], Field(min_length=1, max_length=30)] = Field(
        description="shown and acknowledged before the run"
    )
    roles: Annotated[dict[Word, RoleClasses], Field(min_length=1, max_length=40)] = Field(
        description="role -> class or classes"
    )
    parameters: Annotated[dict[Word, Parameter], Field(max_length=40)] = {}
    values: Annotated[dict[Word, AmountField], Field(max_length=60)] = Field(
        {}, description="named values used below"
    )
    start: Annotated[
        dict[ChannelName, Annotated[list[AmountField], Field(min_length=2, max_length=2)]],
        Field(max_length=20),
    ] = Field({}, description="the state that the test needs: channel -> least and largest")
    guards: Annotated[list[Guard], Field(max_length=40)] = []
    steps: Annotated[list[Step], Field(min_length=1, max_length=60)]

    _document: Document | None = PrivateAttr(None)
    _profiles: dict[str, ProfileFile] | None = PrivateAttr(None)

    @property
    def document(self) -> Document | None:
        """The file it was read from, for file and line in messages and for the record."""
        return self._document

    @property
    def profiles(self) -> dict[str, ProfileFile] | None:
        """The profile files that its orders follow, by name; None where nobody has looked for them."""
        return self._profiles

    def attach(self, document: Document, profiles: dict[str, ProfileFile] | None = None) -> "Procedure":
        """Remember the file it was read from, and the profiles that were read with it."""
        self._document, self._profiles = document, profiles
        return self

    @property
    def profile_names(self) -> dict[str, KeyPath]:
        """The names of the profile files that its orders follow, each with the key that names it first."""
        found: dict[str, KeyPath] = {}
        waiting: list[tuple[KeyPath, Step]] = [(("steps", k), step) for k, step in enumerate(self.steps)]
        for path, step in waiting:  # which grows
            for k, order in enumerate(step.do):
                if order.profile is not None:
                    found.setdefault(order.profile, (*path, "do", k, "profile"))
            waiting += [((*path, "steps", k), inner) for k, inner in enumerate(step.steps or [])]
        return found
