"""What a person asks for when they start a run: plain data that crosses to the engine's process as JSON."""

import json
from dataclasses import asdict, dataclass, field
from typing import Any, Literal

Speed = float | Literal["max"]
FASTEST = 10_000.0  # times real time that can be asked for
SPEED_SAYS = (
    f"max (as fast as it goes), or how many times real time: above 0, at most {FASTEST:g}, such as 1 or 10"
)


def read_speed(text: str) -> Speed:
    """A pace as a person gives it: "max", or a factor of real time. Raises `ValueError` for anything else."""
    if text.strip().lower() == "max":
        return "max"
    speed = float(text)
    if not 0.0 < speed <= FASTEST:
        raise ValueError(text)
    return speed


@dataclass(frozen=True, slots=True)
class RunRequest:
    """One run. Paths are as the person gave them; `live` asks for readings in the event stream (the window does)."""

    procedure: str
    pairing: str = "tarn6-corrie5"
    bench: str = "simulated"
    settings: dict[str, str] = field(default_factory=dict)  # --set name=value
    speed: Speed = "max"
    seed: int = 1
    out: str = "runs"
    key: str = ""
    passphrase: str = field(default="", repr=False)
    operator: str = ""
    acknowledge: str = ""
    answers: dict[str, str] = field(default_factory=dict)  # step id -> answer, for runs without a person
    attended: bool = False  # a person can answer questions over the event stream
    port_base: int | None = None
    override: list[str] = field(default_factory=list)  # gates passed by name, with who and why
    override_by: str = ""
    override_why: str = ""
    live: bool = False
    timestamp: str = ""  # address of a time-stamp server that is asked when the record is sealed
    laboratory: str = ""  # the laboratory card, which may name one

    def to_line(self) -> str:
        """One line of JSON, as the engine reads it."""
        return json.dumps(asdict(self))

    @classmethod
    def from_line(cls, line: str) -> "RunRequest":
        """The request in such a line. Raises `ValueError` or `TypeError` for anything else."""
        data: dict[str, Any] = json.loads(line)
        return cls(**data)
