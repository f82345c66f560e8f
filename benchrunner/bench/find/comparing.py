"""Who answers at the addresses of a bench card, held against what the card says: present, missing, exchanged, moved.

Only the identity is asked (as when a run opens its links); nothing is set. A meter cannot tell where it sits: the role is
the card's word, and here only held against what the instrument is able to be.
"""

import contextlib
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

from benchrunner.bench.find.asking import Answer
from benchrunner.bench.find.looking import AT_ONCE, place_of
from benchrunner.bench.find.proposing import ROLES
from benchrunner.bench.identity import Identity, matches, read_identity
from benchrunner.bench.instrument import Instrument
from benchrunner.bench.links.opening import link_for
from benchrunner.cards.bench import Bench
from benchrunner.errors import LinkError, Problem, Refused

FOUND, MISSING, ELSE, MOVED, FIRMWARE, ROLE = (
    "found",
    "missing",
    "someone else there",
    "at another address",
    "changed firmware",
    "role open",
)


@dataclass(frozen=True)
class Row:
    """One instrument of the card. `state`: one of the six above; `said`: its identity; `mend`: empty where found."""

    name: str
    role: str
    driver: str
    address: str
    state: str
    said: str = ""
    what: str = ""
    mend: str = ""


def compare(bench: Bench, port_base: int | None = None, elsewhere: Sequence[Answer] = ()) -> list[Row]:
    """Ask every address of the card once, side by side; `elsewhere`: what was found at addresses not on the card.

    Raises `Refused` for a bench in memory, which has no addresses.
    """
    if bench.in_memory:
        where = str(bench.document.path)
        raise Refused(
            Problem(where, "is a bench in memory: there is nothing to look for", "name a bench on the wire")
        )
    instruments = {
        name: Instrument(bench, name, link_for(bench, name, port_base)) for name in bench.card.instruments
    }
    lines: dict[str, list[str]] = {}  # instruments that share a line are asked one after the other
    for name, instrument in instruments.items():
        address = instrument.link.address
        line = address.rpartition("/")[0] if address.startswith("rtu:") else address
        lines.setdefault(line, []).append(name)

    def ask(names: list[str]) -> list[tuple[str, str | LinkError]]:
        return [(name, _said(instruments[name])) for name in names]

    with ThreadPoolExecutor(max_workers=AT_ONCE, thread_name_prefix="compare") as pool:
        said = dict(one for line in pool.map(ask, lines.values()) for one in line)
    return [_row(bench, instruments[name], said, elsewhere) for name in bench.card.instruments]


def _said(instrument: Instrument) -> str | LinkError:
    try:
        return instrument.asked()
    except LinkError as error:
        return error
    finally:
        with contextlib.suppress(LinkError, OSError):
            instrument.close()


def _row(
    bench: Bench, instrument: Instrument, said: dict[str, str | LinkError], elsewhere: Sequence[Answer]
) -> Row:
    name, part = instrument.name, instrument.part
    there = said[name]
    text = there if isinstance(there, str) else ""
    here = (name, part.role, part.driver, instrument.link.address)
    if text and fits(bench, name, text):
        roles = open_role(bench, name)
        if not roles:
            return Row(*here, FOUND, text)
        if bench.card.draft:
            what = "answers as the card says; its role is still to be filled in"
            return Row(*here, ROLE, text, what, f"trace its wires, and write one of: {', '.join(roles)}")
        what = f"answers as the card says, but has the role {part.role}; its class {part.klass} can be: {', '.join(roles)}"
        return Row(*here, ROLE, text, what, "give it a role that its class can have, or another driver card")
    if text and fits(bench, name, text, firmware=False):
        version = read_identity(name, text).version
        what = f"has firmware {version!r}, where the card's identity pattern says {part.identity.split(',', 3)[-1]!r}"
        mend = "bring the identity pattern on the card up to date, then prove the wiring anew and repeat what the firmware may have moved"
        return Row(*here, FIRMWARE, text, what, mend)
    moved = _where(bench, name, said, elsewhere)
    if moved:
        mend = f"write address = {moved!r} on the card, or move the instrument back"
        return Row(
            *here, MOVED, text, f"it answers at {moved}" + (f"; here is {text!r}" if text else ""), mend
        )
    if isinstance(there, LinkError):
        return Row(*here, MISSING, "", there.problem.what, there.problem.mend)
    other = next((one for one in bench.card.instruments if one != name and _surely(bench, one, text)), "")
    what = f"it is {other} of this card" if other else _difference(bench, name, text)
    mend = (
        f"exchange the addresses of {name} and {other}, or their cables"
        if other
        else "check the address; if the instrument was exchanged, bring identity, serial number and calibration on the card up to date"
    )
    return Row(*here, ELSE, text, what, mend)


def fits(bench: Bench, name: str, text: str, firmware: bool = True) -> bool:
    """Whether an identity is that of this instrument, as its driver card and the bench card say; `firmware`: that too."""
    identity = _read(name, text)
    if identity is None:
        return False
    part = bench.card.instruments[name]
    patterns = (bench.drivers[name].identify.pattern, part.identity)
    if not firmware:
        patterns = tuple(",".join((*p.split(",")[:3], "*")) if p.count(",") == 3 else p for p in patterns)  # type: ignore[assignment]
    return all(matches(text, p) for p in patterns) and (not part.serial or identity.serial == part.serial)


def _read(name: str, text: str) -> Identity | None:
    try:
        return read_identity(name, text)
    except ValueError:
        return None


def _surely(bench: Bench, name: str, text: str) -> bool:
    """It is this very one: the card gives its serial number, for else two meters of one kind are not to be told apart."""
    return bool(bench.card.instruments[name].serial) and fits(bench, name, text, firmware=False)


def _where(bench: Bench, name: str, said: dict[str, str | LinkError], elsewhere: Sequence[Answer]) -> str:
    for other, text in said.items():
        if other != name and isinstance(text, str) and _surely(bench, name, text):
            return f"{bench.card.instruments[other].address} (that of {other})"
    on_card = {place_of(part.address) for part in bench.card.instruments.values()}
    for answer in elsewhere:
        if answer.found and place_of(answer.address) not in on_card and _surely(bench, name, answer.identity):
            return answer.address
    return ""


def _difference(bench: Bench, name: str, text: str) -> str:
    part, identity = bench.card.instruments[name], _read(name, text)
    if identity is None:
        return f"what answers is no identity: {text[:60]!r}"
    for who, pattern in (
        (f"driver card {part.driver}", bench.drivers[name].identify.pattern),
        ("bench card", part.identity),
    ):
        if not matches(text, pattern):
            return f"it says {text!r}, where the {who} expects {pattern!r}"
    return f"has serial number {identity.serial!r}, where the bench card says {part.serial!r}"


def open_role(bench: Bench, name: str) -> tuple[str, ...]:
    """The roles that an instrument's class can have, where the card gives it none of them; else empty."""
    part = bench.card.instruments[name]
    roles = ROLES.get(bench.drivers[name].klass, ())
    return () if part.role in roles else roles
