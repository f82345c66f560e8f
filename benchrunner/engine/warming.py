"""Before anything is switched on at a real bench, its instruments warm up: waited for, or passed by a named person."""

import time
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from benchrunner.bench.prechecks import WARM_UP
from benchrunner.bench.warming import Warming, look, minutes
from benchrunner.engine.prepare import Prepared
from benchrunner.engine.stream import EventStream
from benchrunner.errors import LinkError, Problem, Refused
from benchrunner.record.facts import utc_now

SAID_EVERY = 60.0  # s between words on how long it still takes
LOOK_EVERY = 0.1  # s between looks at whether the operator has had enough
ASKED_EVERY = 120.0  # s between questions whether they are still there


def warm_up(prepared: Prepared, host: Any, stream: EventStream, wishes: Any) -> Prepared:
    """Wait until every instrument has been on as long as its card asks for, or keep that this was passed by name.

    Raises `Refused` where the operator stops it, or where an instrument is no longer there after the wait.
    """
    request = prepared.request
    cold = [one for one in look(prepared.bench, host.identify(), request.port_base) if one.left > 0.0]
    if not cold:
        return prepared
    if WARM_UP in request.override:
        return _passed(prepared, cold)
    _wait(prepared, cold, host, stream, wishes)
    return prepared


def seen(prepared: Prepared, identities: Sequence[Mapping[str, Any]]) -> None:
    """The run is over and the instruments are still on: the next run need not wait again."""
    look(prepared.bench, identities, prepared.request.port_base)


def _passed(prepared: Prepared, cold: Sequence[Warming]) -> Prepared:
    request, missing = prepared.request, "; ".join(one.says for one in cold)
    gate = {
        "gate": WARM_UP, "by": request.override_by.strip(), "why": request.override_why.strip(), "at": utc_now(),
        "missing": missing,
    }  # fmt: skip
    said = tuple(f"warming up was not waited for: {one.says}" for one in cold)
    return replace(
        prepared, overridden=(*prepared.overridden, gate), deviations=(*prepared.deviations, *said)
    )


def _wait(prepared: Prepared, cold: Sequence[Warming], host: Any, stream: EventStream, wishes: Any) -> None:
    began = time.monotonic()
    end = began + max(one.left for one in cold)
    say = ask = began
    ask += ASKED_EVERY
    names = ", ".join(one.instrument for one in cold)
    while (now := time.monotonic()) < end:
        if now >= say:
            text = f"warming up: {minutes(end - now)} left for {names}; nothing is switched on meanwhile"
            stream.send(0.0, "note", {"text": text, "level": "info"})
            say += SAID_EVERY
        if now >= ask:
            _still_there(cold, host)
            look(prepared.bench, host.identify(), prepared.request.port_base)
            ask += ASKED_EVERY
        if any(wish.get("wish") == "stop" for wish in wishes.take()):
            mend = (
                "start again: what they have been on for is kept; or --override warm-up --by NAME --why TEXT"
            )
            raise Refused(Problem("warm-up", f"the operator stopped it with {minutes(end - now)} left", mend))
        time.sleep(min(LOOK_EVERY, end - now))
    _still_there(cold, host)


def _still_there(cold: Sequence[Warming], host: Any) -> None:
    """Ask each for its identity again. Raises `Refused` with all that do not answer as they did."""
    problems = []
    for one in cold:
        instrument = host.instruments[one.instrument]
        try:
            instrument.open()
            instrument.identify()
        except LinkError as error:
            problems.append(error.problem)
    if problems:
        raise Refused(problems)
