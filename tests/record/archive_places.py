"""Real places for an archive's index: SQLite in its folder, and a PostgreSQL server of the tests' own."""

import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

ROOT = hasattr(os, "geteuid") and os.geteuid() == 0


def binaries() -> Path | None:
    """Where the newest server's programs lie, or nothing."""
    found = shutil.which("initdb")
    places = [Path(found).parent] if found else []
    places += sorted(Path("/usr/lib/postgresql").glob("*/bin"), reverse=True)
    return next(
        (place for place in places if (place / "initdb").exists() and (place / "pg_ctl").exists()), None
    )


def _as_user(command: list[str]) -> list[str]:
    """The server refuses to run as root: as the user that its package made."""
    return ["runuser", "-u", "postgres", "--", *command] if ROOT else command


@contextmanager
def postgresql(folder: Path) -> Iterator[str]:
    """A server in `folder` on a socket of its own, no port; its URL. Skips where there is none, saying so."""
    place = binaries()
    if place is None:
        pytest.skip("PostgreSQL is not installed here: the shared index was not tested")
    if sys.platform == "win32":
        pytest.skip("the PostgreSQL tests use a unix socket: not tested on Windows")
    if ROOT:
        if (
            shutil.which("runuser") is None
            or subprocess.run(["id", "postgres"], capture_output=True).returncode
        ):
            pytest.skip("PostgreSQL refuses to run as root and there is no user postgres: not tested")
        shutil.chown(folder, "postgres")
    data, log = folder / "data", folder / "log"
    subprocess.run(
        _as_user([str(place / "initdb"), "-D", str(data), "-U", "bench", "-A", "trust", "--no-sync", "-E", "UTF8"]),
        check=True, capture_output=True, cwd=folder,
    )  # fmt: skip
    options = f"-c listen_addresses='' -c unix_socket_directories={folder} -c shared_buffers=16MB"
    start = [str(place / "pg_ctl"), "-D", str(data), "-l", str(log), "-o", options, "-w", "start"]
    subprocess.run(
        _as_user(start), check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, cwd=folder
    )
    try:
        yield f"postgresql://bench@/postgres?host={folder}"
    finally:
        stop = [str(place / "pg_ctl"), "-D", str(data), "-m", "immediate", "-w", "stop"]
        subprocess.run(_as_user(stop), check=True, capture_output=True, cwd=folder)
