"""`benchrunner.run(...)`: the whole program in one call, for notebooks and tests."""

import warnings
from pathlib import Path
from typing import TYPE_CHECKING, Any

from benchrunner.engine.client import Session
from benchrunner.engine.request import RunRequest
from benchrunner.errors import Problem, Refused

if TYPE_CHECKING:
    from benchrunner.record.opened import Record


class RunFailed(RuntimeError):  # noqa: N818 - named as what happened
    """The run left no record; the text says why."""


def run(
    procedure: str | Path,
    pairing: str | Path = "tarn6-corrie5",
    bench: str | Path = "simulated",
    *,
    speed: Any = "max",
    seed: int = 1,
    out: str | Path = "runs",
    key: str = "",
    passphrase: str = "",
    operator: str = "",
    acknowledge: str = "",
    port_base: int | None = None,
    timestamp: str = "",
    laboratory: str | Path = "",
    **parameters: str,
) -> "Record":
    """Run a procedure and open its record, whatever the verdict (`record.header["verdict"]`).

    `parameters` are the procedure's own, as text with units: `load_before="2 kW"`. `timestamp`: address of a time-stamp
    server (RFC 3161) that is asked when the signed record is sealed, or `laboratory`, a card that names one; where it
    does not answer the record is sealed without, and a warning says so and how to add it. Raises `Refused` before anything is
    switched on, and `RunFailed` where the run left no record.
    """
    from benchrunner.record.opened import Record

    request = RunRequest(
        procedure=str(procedure), pairing=str(pairing), bench=str(bench), settings={k: str(v) for k, v in parameters.items()},
        speed=speed, seed=seed, out=str(out), key=key, passphrase=passphrase, operator=operator, acknowledge=acknowledge, port_base=port_base,
        timestamp=timestamp, laboratory=str(laboratory),
    )  # fmt: skip
    session = Session.start(request)
    try:
        for _ in session.events():
            pass
    finally:
        session.close()
    ended = session.ended or {}
    if ended.get("problems"):
        raise Refused([Problem(**problem) for problem in ended["problems"]])
    if not ended.get("record"):
        raise RunFailed(f"no record: {ended.get('ended_by', 'the engine said nothing')}")
    if ended.get("unstamped"):
        warnings.warn(str(ended["unstamped"]), stacklevel=2)
    return Record.open(Path(ended["record"]))
