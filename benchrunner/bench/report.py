"""What hosts say of their instruments: identities for the record, missed polls in words, who did not answer."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from benchrunner.bench.instrument import Instrument
from benchrunner.errors import LinkError, Problem, Refused

SAID = (1, 3, 10, 30, 100, 300, 1000, 3000, 10000)  # misses in a row that are worth a word each


@dataclass
class Missed:
    """Counts polls that brought nothing, and says so without flooding the journal."""

    count: int = 0  # in a row
    total: int = 0

    def miss(self, why: str) -> str | None:
        """One more; the words for it, where it is worth any."""
        self.count += 1
        self.total += 1
        if self.count not in SAID:
            return None
        return why if self.count == 1 else f"{self.count} polls in a row brought nothing; {why}"

    def hit(self) -> str | None:
        """The instrument answers again."""
        count, self.count = self.count, 0
        return f"answers again after {count} missed poll{'s' if count > 1 else ''}" if count else None


def dead(values: tuple[float, ...]) -> bool:
    """Nothing but zeros and missing values: what a meter on a dead circuit may show for hours."""
    return not any(value > 0.0 or value < 0.0 for value in values)


def frozen_words(instrument: Instrument, since: float) -> str:
    """What is said of a display that does not move."""
    return f"{instrument.where}: has sent the same reply for {since:.3g} s: its display is frozen, this is no reading"


def words(error: LinkError) -> str:
    """A link's problem in one line."""
    problem = error.problem
    return f"{problem.where}: {problem.what}; {problem.mend}"


def open_all(instruments: Iterable[Instrument]) -> None:
    """Open every link and prove every identity. Raises `Refused` with everything that is wrong.

    Who did not answer is asked once more after the others: an instrument may be busy for a moment after its start,
    and asking who it is can do no harm.
    """
    opened: list[Instrument] = []
    failed = _open(instruments, opened)
    problems = [error.problem for _, error in failed]
    if problems:
        for instrument, _ in failed:
            instrument.link.hurry()
        problems = [error.problem for _, error in _open([instrument for instrument, _ in failed], opened)]
    if problems:
        for instrument in opened:
            instrument.close()
        raise Refused(problems if opened else _not_there(problems, [instrument for instrument, _ in failed]))


def _not_there(problems: list[Problem], asked: list[Instrument]) -> list[Problem]:
    """One problem instead of one for each instrument where no link can be opened at all: the bench is not there."""
    if len(problems) < 2 or not all(problem.what.startswith("cannot be opened") for problem in problems):
        return problems
    where = f"{problems[0].where}, and all {len(problems) - 1} others of the bench"
    mend = "is the whole bench switched on, and its network the right one?"
    if asked[0].bench.simulated:
        mend = "start it: benchrunner serve, in another terminal, with this bench and the same lowest port"
    return [Problem(where, problems[0].what, mend)]


def _open(instruments: Iterable[Instrument], opened: list[Instrument]) -> list[tuple[Instrument, LinkError]]:
    failed = []
    for instrument in instruments:
        try:
            instrument.open()
            opened.append(instrument)
        except LinkError as error:
            failed.append((instrument, error))
    return failed


def identity_row(instrument: Instrument) -> dict[str, Any]:
    """One instrument as the record lists it."""
    part, identity, other = instrument.part, instrument.identity, bool(instrument.passed_serial)
    return {
        "name": instrument.name,
        "role": part.role,
        "class": part.klass,
        "driver": part.driver,
        "address": instrument.link.address,
        "identity": identity.text if identity else "",
        "serial": instrument.passed_serial or part.serial or (identity.serial if identity else ""),
        "firmware": identity.version if identity else "",
        # the card's calibration is that of the instrument that the card names
        "calibrated": part.calibrated.isoformat() if part.calibrated and not other else "",
        "due": part.due.isoformat() if part.due and not other else "",
        "certificate": part.certificate if not other else "",
        "accuracy": accuracy_text(instrument),
    }


def accuracy_text(instrument: Instrument) -> str:
    """The stated accuracy of each quantity, for people: `voltage 0.1 % of reading + 0.1 V`."""
    parts = []
    for quantity, accuracy in instrument.part.accuracy.items():
        words = []
        if accuracy.of_reading:
            words.append(f"{accuracy.of_reading * 100:g} % of reading")
        if accuracy.of_range:
            words.append(accuracy.of_range)
        parts.append(f"{quantity} {' + '.join(words) or '0'}")
    return "; ".join(parts)
