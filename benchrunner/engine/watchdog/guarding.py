"""What stands around a run on a bench: nobody else uses it, a watchdog watches it, and a trip locks it afterwards."""

import contextlib
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

from benchrunner.bench.hosts import live_rate
from benchrunner.bench.locks import Holding, hold_bench, lock, name_record, release_command, told
from benchrunner.engine import serials
from benchrunner.engine.stream import EventStream
from benchrunner.engine.watchdog.arming import Arming
from benchrunner.engine.watchdog.keeper import Host, Watchdog, Watched, digests, limit_of
from benchrunner.engine.watchdog.relay import RelayFeeder, prove, relays_of
from benchrunner.errors import Problem, Refused

if TYPE_CHECKING:
    from benchrunner.engine.prepare import Prepared

TRIPS = ("guard", "stale", "interlock", "watchdog")  # endings after which a bench is locked
IN_MEMORY = "no watchdog: the instruments are in the engine's own memory, nothing is left when it ends"
LOCKSTEP = "no watchdog: the served bench's clock stands still when the engine does"


class Guarding:
    """Around one run; a context manager. Holds the bench at once, and raises `Refused` where somebody else does."""

    def __init__(self, prepared: "Prepared", stream: EventStream) -> None:
        request = prepared.request
        self._bench, self._port_base = prepared.bench, request.port_base
        self._named = request.bench  # as the person gave it
        self._plan, self._stream = prepared.plan, stream
        self._other_serials = serials.may_pass(prepared)
        self._rate = live_rate(prepared.bench, request.speed)
        self._holding: Holding = hold_bench(self._bench, self._port_base, request.procedure)
        self._watchdog: Watchdog | None = None
        self.says = IN_MEMORY if self._bench.in_memory else LOCKSTEP

    def __enter__(self) -> "Guarding":
        return self

    def __exit__(self, *_: object) -> None:
        if self._watchdog is not None:  # only where the run never began
            self._watchdog.off()
        self._holding.release()

    def start(self, live: bool) -> None:
        """Start the watchdog of a `live` bench beside the opening of the links. Raises `Refused`."""
        if not live or not self._plan.safe:
            return
        limit = limit_of(self._bench, self._rate, self._plan.tick)
        try:
            self._watchdog = Watchdog.start(self._stream.descriptor, self._holding.descriptors, limit)
        except OSError as error:
            mend = "free memory and process numbers, then try again"
            raise Refused(Problem("watchdog", f"cannot be started: {error}", mend)) from error
        import os

        self._watchdog.arm(
            Arming(
                pid=os.getpid(),
                bench=str(self._bench.document.path),
                digests=digests(self._bench),
                port_base=self._port_base,
                rate=self._rate,
                limit=limit,
                rounds=self._plan.rounds,
                tick=self._plan.tick,
                simulated=self._plan.simulated,
                other_serials=self._other_serials,
            )
        )
        self.says = (
            f"a watchdog (process {self._watchdog.pid}) makes the bench safe if this program stands still for {limit:g} s "
            "or is ended; it falls with this computer, so it stands in for no hardware"
        )

    def ready(self, host: Any) -> None:
        """Wait until the watchdog could act, and prove the watchdog relays. Raises `Refused`."""
        if self._watchdog is not None:
            self._watchdog.wait_ready()
        if relays := relays_of(self._bench):
            if self._watchdog is None:
                where = f"{self._bench.document.path}: instruments.{relays[0]}"
                what = "a watchdog relay counts real time, and this bench's clock is not that of the wall"
                raise Refused(
                    Problem(where, what, "run the bench in real time (--speed 1), or leave the relay out")
                )
            prove(host.instruments, self._bench, self._rate)

    @contextlib.contextmanager
    def over(self, host: Any, folder: Path) -> Iterator[Any]:
        """The bench as the run's loop is to see it. Left without an error, the watchdog is disarmed: the run has
        ended by itself; left with one, it stays armed and acts when this process ends."""
        told(self._bench, self._port_base)  # the journal holds them now
        if self._watchdog is None:
            yield host
            return
        self._stream.send(0.0, "note", {"text": self.says, "level": "info"})
        self._watchdog.on(host.now, str(folder))
        feeders = [self._watchdog.beat]
        if relays := relays_of(self._bench):
            feeders.append(RelayFeeder(host, relays, self._bench.card.watchdog.relay_time).beat)
        watched: Host = Watched(host, feeders)
        try:
            yield watched
        except BaseException:
            self._watchdog = None  # not to be disarmed on the way out
            raise
        self._watchdog.off()
        self._watchdog = None

    def after(self, ended: dict[str, Any], journal: str) -> dict[str, Any]:
        """The end of a run with what it means for the bench: locked after a trip, before anything else can fail."""
        if ended["ended_by"] not in TRIPS and ended["safe"] != "not confirmed":
            return ended
        reason = str(ended.get("reason") or ended["ended_by"])
        try:
            locked = lock(self._bench, self._port_base, reason, journal)
        except (OSError, Refused) as error:
            text = f"the bench could not be locked after this trip: {error}"
            self._stream.send(ended["at"], "note", {"text": text, "level": "error"})
            return ended
        if locked:
            command = release_command(self._named, self._port_base)
            text = f"the bench is locked until a named person releases it: {command}"
            self._stream.send(ended["at"], "note", {"text": text, "level": "warning"})
        return {**ended, "locked": locked}

    def sealed(self, ended: dict[str, Any], record: str) -> None:
        """Tell the lock where the record lies."""
        if ended.get("locked"):
            name_record(self._bench, self._port_base, record)
