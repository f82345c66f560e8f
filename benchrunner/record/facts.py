"""What is known of a run before its first input: what is tested with what, by whom, with which program.

The engine fills a `RunFacts`; the journal opens with it, and sealing turns it into the record's header.
"""

import hashlib
import platform
import sys
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any

from benchrunner.core.plan import RunPlan

LIBRARIES = ("numpy", "scipy", "numba", "pyarrow", "pyvisa", "pyvisa-py", "pymodbus", "pyserial", "pvlib")


@dataclass(frozen=True)
class Verbatim:
    """One file as it was read, byte for byte. `name` is its file name without folders, `title` what it calls
    itself.
    """

    name: str
    raw: bytes = field(repr=False)
    title: str = ""

    @property
    def sha256(self) -> str:
        """SHA-256 of the bytes, in hex."""
        return hashlib.sha256(self.raw).hexdigest()


@dataclass(frozen=True)
class RunFacts:
    """Everything fixed before the run.

    `instruments`: one mapping each with `name`, `role`, `class`, `driver`, `address`, `identity` (as
    answered), `serial`, `firmware`, `calibrated`, `due`, `certificate`, `accuracy` (text), as far as known. `overridden`:
    gates passed by name, each `{"gate", "by", "why", "at"}`. `deviations`: what was done otherwise than the
    procedure says, in words.
    """

    plan: RunPlan
    procedure: Verbatim
    pairing: Verbatim
    bench: Verbatim
    drivers: tuple[Verbatim, ...] = ()
    profiles: tuple[Verbatim, ...] = ()  # that the procedure's orders follow
    overrides: Mapping[str, str] = field(default_factory=dict)
    instruments: tuple[Mapping[str, Any], ...] = ()
    operator: str = ""
    acknowledged: str = ""  # who acknowledged the cautions
    overridden: tuple[Mapping[str, Any], ...] = ()
    deviations: tuple[str, ...] = ()
    laboratory: str = ""
    started: str = ""  # UTC, filled by the journal where empty
    program: Mapping[str, Any] = field(default_factory=dict)  # filled by the journal where empty


def utc_now() -> str:
    """The wall clock in UTC, to the millisecond, as RFC 3339 writes it."""
    return datetime.now(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def program_facts() -> dict[str, Any]:
    """Program, Python, platform and the libraries that numbers depend on. Reads package metadata, imports
    none of them.
    """
    from importlib.metadata import PackageNotFoundError, version

    import benchrunner

    libraries = {}
    for name in LIBRARIES:
        try:
            libraries[name] = version(name)
        except PackageNotFoundError:
            continue
    return {
        "name": "benchrunner",
        "version": benchrunner.__version__,
        "python": platform.python_version(),
        "platform": f"{platform.system()} {platform.machine()}",
        "byte_order": sys.byteorder,
        "libraries": libraries,
    }
