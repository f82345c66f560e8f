"""Python drivers: for instruments that a driver card cannot express, found by the entry point group `benchrunner.drivers`.

A driver card still says what the instrument reads and sets, in which units and ranges, and over which link; its
`program` names the entry point. The entry point is a class that is made with the open link:

    class Driver:
        def __init__(self, link): ...
        def identity(self) -> str: ...                 # maker,model,serial,version
        def read(self) -> Sequence[float]: ...         # the card's fields in order and unit; NaN for none
        def send(self, setting, value) -> None: ...    # value in the card's unit; a switch is 0 or 1
        def read_back(self, setting) -> float | None: ...

It talks through `link.query`, `link.write`, `link.query_block` and the register methods alone, so that time-outs,
retries and locks stay in one place. Whatever else it raises, or returns, is an error of this instrument and ends there.
"""

import importlib.metadata
import math
from collections.abc import Callable, Sequence
from typing import Any, Protocol, TypeVar

from benchrunner.bench.links.base import Link
from benchrunner.errors import LinkError, Problem, Refused

GROUP = "benchrunner.drivers"
METHODS = ("identity", "read", "send", "read_back")
T = TypeVar("T")


class PythonDriver(Protocol):
    """What a Python driver offers."""

    def identity(self) -> str: ...
    def read(self) -> Sequence[float]: ...
    def send(self, setting: str, value: float) -> None: ...
    def read_back(self, setting: str) -> float | None: ...


def load(name: str, where: str) -> Callable[[Link], PythonDriver]:
    """The class behind an entry point. Raises `Refused` where it is not there, is there twice, or is broken."""
    found = [one for one in importlib.metadata.entry_points(group=GROUP) if one.name == name]
    if len({one.value for one in found}) != 1:
        known = (
            ", ".join(sorted({one.name for one in importlib.metadata.entry_points(group=GROUP)})) or "none"
        )
        what = f"there is no Python driver {name!r}" if not found else f"two packages bring a driver {name!r}"
        mend = (
            f"install the package that brings it; there are: {known}" if not found else "remove one of them"
        )
        raise Refused(Problem(where, what, mend))
    distribution = getattr(found[0].dist, "name", "an unknown package")
    try:
        loaded: Any = found[0].load()
    except BaseException as error:
        if isinstance(error, KeyboardInterrupt):
            raise
        what = (
            f"the Python driver {name!r} of {distribution} cannot be loaded: {type(error).__name__}: {error}"
        )
        raise Refused(
            Problem(where, what[:300], "mend or remove that package, or choose another driver")
        ) from error
    lacking = [method for method in METHODS if not callable(getattr(loaded, method, None))]
    if lacking or not callable(loaded):
        what = f"the Python driver {name!r} of {distribution} lacks {', '.join(lacking) or 'a constructor'}"
        raise Refused(Problem(where, what, "see benchrunner/bench/plugins.py for what a driver offers"))
    return loaded  # type: ignore[no-any-return]


class Guarded:
    """A Python driver whose mistakes end as errors of its instrument."""

    def __init__(self, make: Callable[[Link], PythonDriver], link: Link, name: str, fields: int) -> None:
        self._link, self._name, self._fields = link, name, fields
        self._driver = self._done("making it", lambda: make(link))

    def identity(self) -> str:
        """As the driver's. Raises `LinkError`."""
        text = self._done("identity", lambda: self._driver.identity())
        if not isinstance(text, str):
            raise self._wrong("identity", f"returned {type(text).__name__}, not text")
        return text

    def read(self) -> list[float]:
        """As the driver's, checked. Raises `LinkError`."""
        values = self._done("read", lambda: list(self._driver.read()))
        if len(values) != self._fields:
            raise self._wrong("read", f"returned {len(values)} values instead of {self._fields}")
        if any(isinstance(v, bool) or not isinstance(v, (int, float)) for v in values):
            raise self._wrong("read", "returned something that is no number")
        return [float(v) if math.isfinite(v) else math.nan for v in values]

    def send(self, setting: str, value: float) -> None:
        """As the driver's. Raises `LinkError`."""
        self._done(f"send {setting}", lambda: self._driver.send(setting, value))

    def read_back(self, setting: str) -> float | None:
        """As the driver's, checked. Raises `LinkError`."""
        value = self._done(f"read_back {setting}", lambda: self._driver.read_back(setting))
        if value is not None and (not isinstance(value, (int, float)) or not math.isfinite(value)):
            raise self._wrong(f"read_back {setting}", f"returned {value!r}")
        return None if value is None else float(value)

    def _done(self, asked: str, job: Callable[[], T]) -> T:
        try:
            return job()
        except LinkError:
            raise
        except Exception as error:
            raise self._wrong(asked, f"{type(error).__name__}: {error}") from error

    def _wrong(self, asked: str, what: str) -> LinkError:
        self._link.close()  # nobody knows what it had asked for: the link must prove itself again
        return self._link.error(
            asked, f"its Python driver {self._name!r} failed: {what}"[:300], "mend that driver"
        )
