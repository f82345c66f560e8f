"""The client of the simulated bench's control port: moves the served plant in lockstep with the run.

Lines of text: `ADVANCE <t>` -> `OK <t>`, `PREPARE soc=0.945` -> `OK`, `SEED <n>` -> `OK`, `NOW?` -> `<t>`. The port
exists only where the bench is served in lockstep.
"""

import socket

from benchrunner.errors import LinkError

LONGEST_LINE = 1000
MEND = "start `benchrunner serve BENCH --lockstep` first, with the same ports; a bench served in real time needs --speed"


class Control:
    """One connection to the control port. Raises `LinkError` for everything that goes wrong."""

    def __init__(self, host: str, port: int, timeout: float = 60.0) -> None:
        self.where = f"control port {host}:{port}"
        self._got = b""
        self._broken = False
        try:
            self._socket = socket.create_connection((host, port), timeout=min(timeout, 5.0))
            self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self._socket.settimeout(timeout)
        except OSError as error:
            raise LinkError(self.where, f"does not answer: {error}", MEND) from error

    def ask(self, line: str) -> str:
        """Send one line and return the reply without `OK`."""
        if self._broken:  # a late reply to an earlier line must not pass for this one's
            raise LinkError(
                self.where, f"{line}: the connection failed before", "is the served bench still running?"
            )
        try:
            self._socket.sendall(line.encode("ascii") + b"\n")
            while b"\n" not in self._got:
                part = self._socket.recv(4096)
                if not part:
                    raise OSError("the connection was closed")
                self._got += part
                if len(self._got) > LONGEST_LINE:
                    raise OSError("the reply has no end")
        except OSError as error:
            self._broken = True
            self._socket.close()
            raise LinkError(self.where, f"{line}: {error}", "is the served bench still running?") from error
        reply, _, self._got = self._got.partition(b"\n")
        text = reply.decode("ascii", "replace").strip()
        if line.endswith("?"):
            return text
        if not text.startswith("OK"):
            raise LinkError(self.where, f"{line}: {text[:200]}", "see what the served bench says")
        return text[2:].strip()

    def advance(self, until: float) -> None:
        """Bring the plant to the bench time `until`, s."""
        self.ask(f"ADVANCE {until!r}")

    def prepare(self, start: dict[str, float], seed: int) -> None:
        """A fresh plant at time 0 in the given state, with this seed for its noise."""
        self.ask(f"SEED {seed}")
        self.ask("PREPARE" + "".join(f" {name}={value!r}" for name, value in start.items()))

    def close(self) -> None:
        """Close the connection; the plant stands still then."""
        self._socket.close()
