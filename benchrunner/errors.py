"""How the program says that something is wrong: where, what, and how to mend it.

Everything that a person can get wrong ends in one `Refused` that lists all problems at once.
"""

from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing that is wrong. `where` names a file and line, a key, an instrument or an address."""

    where: str
    what: str
    mend: str

    def __str__(self) -> str:
        return f"{self.where}: {self.what}\n    mend: {self.mend}"


class Refused(Exception):  # noqa: N818 - it is a refusal, named as the exit code's meaning
    """Bad input, found before anything was switched on (exit code 2)."""

    def __init__(self, problems: Problem | Iterable[Problem]) -> None:
        self.problems = (problems,) if isinstance(problems, Problem) else tuple(problems)
        super().__init__("\n".join(str(p) for p in self.problems))


class LinkError(Exception):
    """An instrument did not answer as it should: `where` is its name and address, `what` the exchange."""

    fatal = False  # True: what was read before cannot be relied on either, so the run cannot go on

    def __init__(
        self, where: str, what: str, mend: str = "check the cable, the address and that it is switched on"
    ) -> None:
        self.problem = Problem(where, what, mend)
        super().__init__(str(self.problem))
