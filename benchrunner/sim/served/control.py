"""The control port: the client's clock moves the plant. It exists in lockstep only, and never on a real bench.

One line in, one line out. `ADVANCE <t>` -> `OK <t>` once the plant stands at t; `PREPARE soc=0.945 ...` -> `OK`: the
bench anew in that state at t = 0; `SEED <n>` -> `OK`: anew with other noise; `NOW?` -> the time; `SPEED?` -> 0;
`FAULT <instrument> <kind> [count=] [at=] [seconds=] [keep=]` or `FAULT <instrument> clear` -> `OK`. What cannot be
done is answered with `ERROR` and why.
"""

import asyncio
import math
from typing import TYPE_CHECKING

from benchrunner.errors import Refused
from benchrunner.sim.emulators.lines import LineReader
from benchrunner.sim.served.clock import LOCKSTEP_LIMIT, LONGEST_STEP

if TYPE_CHECKING:
    from benchrunner.sim.served.server import Server


class ControlConnection(asyncio.Protocol):
    """One client of the control port. Its lines are carried out one after the other."""

    def __init__(self, server: "Server") -> None:
        self._server = server
        self._reader = LineReader()
        self._transport: asyncio.Transport | None = None
        self._lines: asyncio.Queue[bytes | None] = asyncio.Queue()
        self._task: asyncio.Task[None] | None = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)
        self._transport = transport
        self._server.controls.add(self)

    def connection_lost(self, exc: Exception | None) -> None:
        self._server.controls.discard(self)
        self._transport = None
        if self._task is not None:
            self._task.cancel()

    def data_received(self, data: bytes) -> None:
        for line in self._reader.feed(data):
            if self._task is None and line is not None and (reply := self._at_once(line)):
                self._send(reply)  # the common short step, without a task switch
                continue
            self._lines.put_nowait(line)
            if self._task is None:
                self._task = asyncio.get_running_loop().create_task(self._work())

    def abort(self) -> None:
        """Close at once."""
        if self._transport is not None:
            self._transport.abort()

    def _send(self, reply: str) -> None:
        if self._transport is not None:
            self._transport.write(reply.encode("ascii", "replace") + b"\n")

    def _at_once(self, line: bytes) -> str:
        """The answer to a short ADVANCE; empty for anything else."""
        if not line.startswith(b"ADVANCE "):
            return ""
        try:
            until = float(line[8:])
        except ValueError:
            return ""
        plant = self._server.plant
        if not plant.now <= until <= plant.now + LONGEST_STEP:
            return ""
        plant.advance(until)
        return f"OK {until!r}"

    async def _work(self) -> None:
        try:
            while not self._lines.empty():
                line = self._lines.get_nowait()
                try:
                    reply = "ERROR the line is too long" if line is None else await self._carry_out(line)
                except Refused as error:
                    reply = "ERROR " + "; ".join(f"{p.where}: {p.what} ({p.mend})" for p in error.problems)
                except Exception as error:  # a plant that refuses a state says so in its own words
                    reply = f"ERROR {type(error).__name__}: {error}".splitlines()[0]
                self._send(reply)
        finally:
            self._task = None

    async def _carry_out(self, line: bytes) -> str:
        words = line.decode("ascii", "replace").split()
        verb, rest = (words[0].upper(), words[1:]) if words else ("", [])
        if verb == "ADVANCE" and len(rest) == 1:
            return await self._advance(rest[0])
        if verb == "PREPARE":
            self._server.prepare(_numbers(rest))
            return "OK"
        if verb == "SEED" and len(rest) == 1 and rest[0].lstrip("-").isdigit() and len(rest[0]) < 20:
            self._server.prepare(seed=int(rest[0]))
            return "OK"
        if verb == "NOW?":
            return repr(float(self._server.plant.now))
        if verb == "SPEED?":
            return "0"
        if verb == "FAULT" and len(rest) >= 2:
            self._server.fault(rest[0], rest[1], **_numbers(rest[2:]))
            return "OK"
        return "ERROR unknown line: ADVANCE t, PREPARE name=value, SEED n, NOW?, FAULT instrument kind"

    async def _advance(self, text: str) -> str:
        try:
            until = float(text)
        except ValueError:
            return "ERROR ADVANCE takes a time in seconds"
        plant = self._server.plant
        if not math.isfinite(until) or until < plant.now or until > plant.now + LOCKSTEP_LIMIT:
            return f"ERROR cannot advance from {plant.now!r} to {text[:40]}"
        while plant.now < until:
            plant.advance(min(until, plant.now + LONGEST_STEP))
            await asyncio.sleep(0)
        return f"OK {until!r}"


def _numbers(words: list[str]) -> dict[str, float]:
    found: dict[str, float] = {}
    for word in words:
        name, equals, value = word.partition("=")
        if not equals:
            raise ValueError(f"{word!r} is not name=value")
        found[name] = float(value)
    return found
