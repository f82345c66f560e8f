"""Who may use a bench: one run at a time, and none after a trip until a named person has released it.

Both are kept in the user's state folder under the bench's identity (its title and its addresses, not its file), so a
copied card is the same bench. *Held*: an operating-system lock on the bench and on each address, for the time of a run;
two different cards that name one address exclude each other. *Locked*: a file that outlives the run and says what
happened. Releases are kept in a log for good, and the next record tells of them.
"""

import contextlib
import getpass
import hashlib
import json
import os
import shlex
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from benchrunner.bench.oslock import Held, hold
from benchrunner.cards.bench import Bench, read_bench
from benchrunner.errors import Problem, Refused

LONGEST_FILE = 100_000  # bytes read of a file here
LONGEST_TEXT = 500  # letters of a reason kept
UNKNOWN = "at an unknown time"
LOCAL = ("localhost", "::1", "127.0.0.1")


@dataclass(frozen=True)
class Trip:
    """What locked a bench. `record`: where its record, or its unsealed journal, lies; `card` and
    `port_base`: the file of the bench card and the ports that were used (a lock of an earlier version has neither)."""

    bench: str
    what: str
    when: str
    record: str = ""
    card: str = ""
    port_base: int | None = None

    @property
    def says(self) -> str:
        """In one line."""
        return f"{self.what} ({self.when}{'; ' + self.record if self.record else ''})"


@dataclass(frozen=True)
class Release:
    """Who released a bench after which trip, and why."""

    trip: Trip
    by: str
    why: str
    when: str
    account: str = ""  # of the machine, under which it was given

    @property
    def says(self) -> str:
        """As the next record tells it."""
        return f"the bench was locked after {self.trip.says}; released by {self.by} ({self.when}): {self.why}"


# -- identity ---------------------------------------------------------------------------------------------------------


def base_of(bench: Bench, port_base: int | None) -> int:
    """The ports that `{port+n}` counts from."""
    return port_base if port_base is not None else (bench.card.served.port_base if bench.card.served else 0)


def places(bench: Bench, port_base: int | None = None) -> list[str]:
    """Where the instruments are, each written one way however the card writes it; none for those in memory."""
    base = base_of(bench, port_base)
    found = {_place(part.at(base)) for part in bench.card.instruments.values() if part.address != "memory"}
    return sorted(found)


def _place(address: str) -> str:
    parts = address.split("::")
    if len(parts) == 4 and parts[0].upper().startswith("TCPIP") and parts[3].upper() == "SOCKET":
        return _socket(parts[1], parts[2])
    if address.startswith("socket://"):
        host, _, port = address.removeprefix("socket://").rpartition(":")
        return _socket(host, port)
    if address.startswith("modbus://"):
        place, _, unit = address.removeprefix("modbus://").rpartition("/")
        host, _, port = place.rpartition(":")
        where = _socket(host, port) if host and port.isdigit() else _socket(place, "502")
        return f"{where} unit {unit}"
    if address.startswith("rtu:"):  # the line is one program's, whichever unit on it is asked
        line = address.removeprefix("rtu:").rpartition("/")[0]
        return _place(line if "://" in line else f"serial:{line}")
    if len(parts) == 2 and parts[0].upper().startswith("ASRL") and "/" in parts[0]:
        address = f"serial:{parts[0][4:]}"
    if address.startswith("serial:"):
        device = address.removeprefix("serial:")
        return f"serial {os.path.realpath(device)}" if "/" in device else f"serial {device.casefold()}"
    return address.casefold()


def _socket(host: str, port: str) -> str:
    return f"tcp {'127.0.0.1' if host.casefold() in LOCAL else host.casefold()}:{port}"


def identity(bench: Bench, port_base: int | None = None) -> str:
    """The bench's identity: a digest of its title and its addresses."""
    text = json.dumps([bench.card.title, places(bench, port_base)], ensure_ascii=False)
    return _digest(text)


def _digest(text: str) -> str:
    return hashlib.sha256(text.encode("utf-8")).hexdigest()[:24]


def state_folder() -> Path:
    """Where this user's program keeps the state of benches (`XDG_STATE_HOME` or ~/.local/state on Linux)."""
    import platformdirs

    return platformdirs.user_state_path("benchrunner", appauthor=False) / "benches"


def _folder(name: str) -> Path:
    folder = state_folder() / name
    try:
        folder.mkdir(parents=True, exist_ok=True, mode=0o700)
    except OSError as error:
        what = f"cannot be made: {error.strerror}"
        raise Refused(Problem(str(folder), what, "check HOME or XDG_STATE_HOME, and who owns it")) from error
    return folder


# -- held: one run at a time ------------------------------------------------------------------------------------------


class Holding:
    """A bench and its addresses, held for one run; let go of at the end, or when the process ends."""

    def __init__(self, held: Sequence[Held] = ()) -> None:
        self._held = list(held)

    @property
    def descriptors(self) -> tuple[int, ...]:
        """For a child process that is to hold them too."""
        return tuple(one.descriptor for one in self._held)

    def release(self) -> None:
        """Let go; may be called twice."""
        for one in self._held:
            one.release()
        self._held.clear()


def hold_bench(bench: Bench, port_base: int | None, what: str) -> Holding:
    """Hold the bench for a run named `what`. Raises `Refused` and names who holds it, or any of its addresses.

    A bench in memory is nobody else's; nothing is held for it.
    """
    addresses = places(bench, port_base)
    if not addresses:
        return Holding()
    folder = _folder("held")
    wanted = {identity(bench, port_base): f"bench {bench.card.title!r}"}
    wanted.update({_digest(place): place for place in addresses})
    said = json.dumps(
        {"pid": os.getpid(), "run": what[:LONGEST_TEXT], "since": _now(), "bench": bench.card.title}
    )
    got: list[Held] = []
    taken: dict[str, list[str]] = {}
    for name, place in wanted.items():
        path = folder / f"{name}.held"
        try:
            one = hold(path)
        except OSError as error:
            for other in got:
                other.release()
            raise Refused(
                Problem(str(path), f"cannot be held: {error.strerror}", "check who owns it")
            ) from error
        if one is None:
            taken.setdefault(_holder(path), []).append(place)
        else:
            with contextlib.suppress(OSError):  # a full disk: held all the same
                one.write(said)
            got.append(one)
    if taken:
        for other in got:
            other.release()
        mend = "wait until it has ended; a run that hangs is ended by its watchdog"
        raise Refused(
            [Problem(", ".join(there[:4]), f"in use by {who}", mend) for who, there in taken.items()]
        )
    return Holding(got)


def _holder(path: Path) -> str:
    data = _read(path)
    if data is None:
        return "another run of this program"
    return f"the run {data.get('run')!r} of process {data.get('pid')}, since {data.get('since')}, on {data.get('bench')!r}"


# -- locked: after a trip ---------------------------------------------------------------------------------------------


def locks_after_trip(bench: Bench) -> bool:
    """Whether a trip locks this bench: a real one does, a simulated one only where its card asks for it."""
    asked = bench.card.lock_after_trip
    return not bench.in_memory and (not bench.simulated if asked is None else asked)


def lock(bench: Bench, port_base: int | None, what: str, record: str = "") -> bool:
    """Lock the bench after a trip; False where it is of a kind that is not locked. Raises `OSError`, `Refused`."""
    if not locks_after_trip(bench):
        return False
    path = _folder("locked") / f"{identity(bench, port_base)}.json"
    card = str(bench.document.path.absolute())
    trip = Trip(bench.card.title, what[:LONGEST_TEXT], _now(), record, card, port_base)
    before = _trip(_read(path)) if path.exists() else None
    if before is not None:  # the first cause stays, with what came after it; the card is the one used last
        trip = Trip(
            before.bench,
            f"{before.what}; then {trip.what}"[: 2 * LONGEST_TEXT],
            before.when,
            record or before.record,
            card,
            port_base,
        )
    _write(path, json.dumps(asdict(trip), ensure_ascii=False))
    return True


def name_record(bench: Bench, port_base: int | None, record: str) -> None:
    """Tell the lock of this bench where the record of its trip lies, once it is sealed."""
    path = state_folder() / "locked" / f"{identity(bench, port_base)}.json"
    trip = _trip(_read(path)) if path.exists() else None
    if trip is not None:
        with contextlib.suppress(OSError):
            _write(path, json.dumps({**asdict(trip), "record": record}, ensure_ascii=False))


def locked(bench: Bench, port_base: int | None = None) -> Trip | None:
    """What locked the bench; None where it is free. A lock that cannot be read locks all the same."""
    if not locks_after_trip(bench):
        return None
    path = state_folder() / "locked" / f"{identity(bench, port_base)}.json"
    if not path.exists():
        return None
    found = _trip(_read(path))
    return found or Trip(bench.card.title, _unreadable(path), UNKNOWN)


def lock_problem(bench: Bench, named: str, port_base: int | None = None) -> Problem | None:
    """Why a run on this bench is refused, where it is locked; `named`: the bench as the person gave it."""
    trip = locked(bench, port_base)
    if trip is None:
        return None
    mend = (
        "find out what happened and look at the bench; then a named person releases it: "
        f"{release_command(named, port_base)}"
    )
    return Problem(f"bench {bench.card.title!r}", f"is locked after {trip.says}", mend)


def release_command(named: str, port_base: int | None = None) -> str:
    """What a person types to release a bench, to be copied; `named`: its card, as a file or a shipped name."""
    quoted = subprocess.list2cmdline([named]) if sys.platform == "win32" else shlex.quote(named)
    base = f" --port-base {port_base}" if port_base is not None else ""
    return f'benchrunner release {quoted}{base} --by NAME --why "WHAT WAS FOUND"'


def all_locked() -> list[Trip]:
    """Every bench that is locked now, also one whose lock cannot be read."""
    paths = sorted((state_folder() / "locked").glob("*.json"))
    return [
        _trip(_read(path)) or Trip("a bench whose name cannot be read", _unreadable(path), UNKNOWN)
        for path in paths
    ]


def not_released_by_its_card(trip: Trip) -> str:
    """Why `trip.card` would not release the lock any more; nothing where it does."""
    if not trip.card:
        return "the lock does not say which card was used"
    try:
        bench = read_bench(trip.card)
    except (Refused, OSError):
        return f"{trip.card} is gone, or can no longer be read"
    if locked(bench, trip.port_base) != trip:
        return f"{trip.card} has another title or other addresses now"
    return ""


def _unreadable(path: Path) -> str:
    return f"a trip whose file cannot be read ({path})"


def release(bench: Bench, port_base: int | None, by: str, why: str) -> Release:
    """Release a locked bench, and keep who did it and why. Raises `Refused` where it is not locked or nobody is named."""
    problems = [
        Problem(option, "is empty", mend)
        for option, text, mend in (
            ("--by", by, "a named person releases a bench: give the name"),
            ("--why", why, "say what was found, and why the bench may be used again"),
        )
        if not text.strip()
    ]
    problems += [
        Problem(
            option,
            "holds characters that cannot be printed, or is too long",
            f"at most {LONGEST_TEXT} letters",
        )
        for option, text in (("--by", by), ("--why", why))
        if len(text) > LONGEST_TEXT or not text.isprintable()
    ]
    trip = locked(bench, port_base)
    if trip is None:
        problems.append(
            Problem(f"bench {bench.card.title!r}", "is not locked", "nothing needs to be released")
        )
    if problems:
        raise Refused(problems)
    assert trip is not None
    done = Release(trip, by.strip(), why.strip(), _now(), _account())
    name = identity(bench, port_base)
    line = json.dumps({"id": name, **asdict(done)}, ensure_ascii=False)
    try:
        _append(_folder("released") / "log.jsonl", line)
        _append(_folder("released") / f"{name}.untold", line)
        (state_folder() / "locked" / f"{name}.json").unlink()
    except OSError as error:
        raise Refused(
            Problem(str(error.filename), f"cannot be written: {error.strerror}", "free the disk")
        ) from error
    return done


def untold(bench: Bench, port_base: int | None = None) -> list[Release]:
    """The releases that no record has told of yet."""
    if not locks_after_trip(bench):
        return []
    path = state_folder() / "released" / f"{identity(bench, port_base)}.untold"
    try:
        text = path.read_bytes()[:LONGEST_FILE].decode("utf-8", "replace")
    except OSError:
        return []
    found = []
    for line in text.splitlines():
        with contextlib.suppress(ValueError, TypeError, KeyError, AttributeError):
            data = json.loads(line)
            trip = _trip(data["trip"])
            if trip is not None:
                found.append(
                    Release(trip, str(data["by"]), str(data["why"]), str(data["when"]), str(data["account"]))
                )
    return found


def told(bench: Bench, port_base: int | None = None) -> None:
    """The journal of a run holds the releases now."""
    with contextlib.suppress(OSError):
        (state_folder() / "released" / f"{identity(bench, port_base)}.untold").unlink()


# -- files ------------------------------------------------------------------------------------------------------------


def _now() -> str:
    return datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def _account() -> str:
    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError):  # no such account, as in some containers
        return ""


def _read(path: Path) -> dict[str, Any] | None:
    try:
        with path.open("rb") as file:
            data = json.loads(file.read(LONGEST_FILE))
    except (OSError, ValueError, RecursionError):
        return None
    return data if isinstance(data, dict) else None


def _trip(data: Any) -> Trip | None:
    if not isinstance(data, dict):
        return None
    bench, what, when, record, card = (
        str(data.get(key, ""))[: 4 * LONGEST_TEXT] for key in ("bench", "what", "when", "record", "card")
    )
    base = data.get("port_base")
    return Trip(bench, what, when, record, card, base if type(base) is int else None)


def _write(path: Path, text: str) -> None:
    new = path.with_suffix(".new")
    descriptor = os.open(new, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
    with os.fdopen(descriptor, "w", encoding="utf-8") as file:
        file.write(text)
        file.flush()
        os.fsync(file.fileno())
    os.replace(new, path)


def _append(path: Path, line: str) -> None:
    descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600)
    with os.fdopen(descriptor, "a", encoding="utf-8") as file:
        file.write(line + "\n")
        file.flush()
        os.fsync(file.fileno())
