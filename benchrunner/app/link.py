"""The window's end of a run: a `Session` that is polled, told wishes, and hung up without anybody waiting."""

import contextlib
import threading
from typing import Any

from benchrunner.engine.client import Session
from benchrunner.engine.request import RunRequest


class EngineLink:
    """One run. Everything here returns at once."""

    def __init__(self, session: Session) -> None:
        self._session = session
        self._hanging_up: threading.Thread | None = None

    @classmethod
    def start(cls, request: RunRequest) -> "EngineLink":
        """Start the engine's process with this request."""
        return cls(Session.start(request))

    @property
    def alive(self) -> bool:
        """Whether the engine's process still runs."""
        return self._session.alive

    @property
    def gone(self) -> bool:
        """Whether the process has ended and was let go of."""
        return not self.alive and (self._hanging_up is None or not self._hanging_up.is_alive())

    def poll(self) -> list[dict[str, Any]]:
        """The events since the last call."""
        return self._session.poll()

    def make_safe(self, why: str, by: str = "") -> None:
        """Ask the engine to make safe and end the run; `by`: who asks, where that is known."""
        self._session.send({"wish": "stop", "why": why, "by": by})

    def pause(self) -> None:
        """Hold after the current step."""
        self._session.send({"wish": "pause", "why": "operator's pause"})

    def resume(self) -> None:
        """Go on."""
        self._session.send({"wish": "resume", "why": "operator resumes"})

    def answer(self, text: str, by: str = "", to: str = "") -> None:
        """Answer the question of step `to`; one that comes too late is not taken for the next."""
        self._session.send({"answer": text, "by": by, **({"to": to} if to else {})})

    def hang_up(self) -> None:
        """Let go of the engine: it makes safe if it has not ended, and seals. A thread waits for that."""
        if self._hanging_up is None:
            self._hanging_up = threading.Thread(target=self._close, name="hang up", daemon=True)
            self._hanging_up.start()

    def _close(self) -> None:
        with contextlib.suppress(OSError):
            self._session.close()
