"""Runs of the whole program in processes of their own, as a terminal or a window starts them."""

import contextlib
import dataclasses
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from free_ports import free_base

from benchrunner import data
from benchrunner.cards.bench import read_bench
from benchrunner.cards.pairing import read_pairing
from benchrunner.engine.client import Session
from benchrunner.engine.request import RunRequest
from benchrunner.sim.served import Server


class Watched:
    """A session whose events are gathered by a thread; `wait_for` waits for one of a kind."""

    def __init__(self, request: RunRequest) -> None:
        self.session = Session.start(request)
        self.events: list[dict[str, Any]] = []
        self._thread = threading.Thread(target=self._gather, daemon=True)
        self._thread.start()

    def _gather(self) -> None:
        for event in self.session.events():
            self.events.append(event)

    def wait_for(self, holds: Callable[[dict[str, Any]], bool], patience: float = 60.0) -> dict[str, Any]:
        deadline = time.monotonic() + patience
        seen = 0
        while time.monotonic() < deadline:
            while seen < len(self.events):
                if holds(self.events[seen]):
                    return self.events[seen]
                seen += 1
            time.sleep(0.01)
        raise AssertionError(
            f"did not come within {patience} s; the last events: {self.events[-5:]}; {self.session.said}"
        )

    def step(self, name: str) -> dict[str, Any]:
        return self.wait_for(
            lambda e: e["kind"] == "step" and e["data"]["id"] == name and e["data"]["phase"] == "started"
        )

    def end(self, patience: float = 120.0) -> dict[str, Any]:
        self._thread.join(patience)
        assert not self._thread.is_alive(), f"the run does not end; {self.events[-5:]}"
        assert self.session.ended is not None
        return self.session.ended


@pytest.fixture
def start(tmp_path: Path) -> Iterator[Callable[..., Watched]]:
    running: list[Watched] = []

    def begin(procedure: str = "load-rejection", **how: Any) -> Watched:
        watched = Watched(dataclasses.replace(RunRequest(procedure, out=str(tmp_path / "runs")), **how))
        running.append(watched)
        return watched

    yield begin
    for watched in running:
        with contextlib.suppress(OSError):
            watched.session._process.kill()
        watched.session.close()


@pytest.fixture
def serve() -> Iterator[Callable[..., Server]]:
    with contextlib.ExitStack() as stack:

        def begin(**how: Any) -> Server:
            bench = read_bench(data.find("loopback", "resources", "benches"))
            pairing = read_pairing(data.find("tarn6-corrie5", "resources", "pairings"))
            return stack.enter_context(Server(bench, pairing, port_base=free_base(), **how))

        yield begin
