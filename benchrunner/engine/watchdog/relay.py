"""Hardware watchdog relays: proved at the start, fed by each turn of the run's loop, left to open at the end.

The relay is part of the hardware chain: it opens when this program, its watchdog or the whole computer stands still.
"""

import time
from typing import Any

from benchrunner.bench.instrument import Instrument
from benchrunner.cards.bench import Bench
from benchrunner.errors import LinkError, Problem, Refused

KLASS = "watchdog_relay"
SHARE = 4  # feeds within its time
LATER = 1.25  # times its time, until it must have opened


def relays_of(bench: Bench) -> list[str]:
    """The watchdog relays of a bench."""
    return [name for name, part in bench.card.instruments.items() if part.klass == KLASS]


class RelayFeeder:
    """Feeds the relays when the loop has turned, a quarter of their time after the last feed."""

    def __init__(self, host: Any, names: list[str], relay_time: float) -> None:
        self._host, self._names = host, names
        self._every = relay_time / SHARE
        self._due = -float("inf")

    def beat(self, at: float) -> str:
        """The loop has turned at bench time `at`. A relay that cannot be fed opens by itself, so nothing is to be said."""
        if at >= self._due:
            self._due = at + self._every
            for name in self._names:
                self._host.feed(name)
        return ""


def prove(instruments: dict[str, Instrument], bench: Bench, rate: float) -> None:
    """Feed each relay and see it closed; where the card asks, let it expire once and see it open. Raises `Refused`.

    Before the run's threads use the links, and before anything is switched on. All relays at once: it takes 1.25 times
    their time.
    """
    names = relays_of(bench)
    problems: list[Problem] = []
    _expect(instruments, names, True, problems, feed=True)
    if bench.card.watchdog.prove_relay and not problems:
        time.sleep(bench.card.watchdog.relay_time * LATER / rate)
        _expect(instruments, names, False, problems)
        _expect(instruments, names, True, problems, feed=True)
    if problems:
        raise Refused(problems)


def _expect(
    instruments: dict[str, Instrument],
    names: list[str],
    closed: bool,
    problems: list[Problem],
    feed: bool = False,
) -> None:
    for name in names:
        instrument = instruments[name]
        try:
            if feed:
                instrument.send("fed", 1.0)
            quantities = [place.quantity for place in instrument.placed]
            shown = instrument.poll()[quantities.index("closed")]
        except LinkError as error:
            problems.append(error.problem)
            continue
        except ValueError:
            what = "its contact is read by no channel"
            problems.append(Problem(instrument.where, what, "leave its quantity `closed` on a channel"))
            continue
        if (shown > 0.5) is not closed:
            what = (
                "does not close when it is fed"
                if closed
                else "does not open when it is not fed: it protects nothing"
            )
            mend = "check its time (watchdog.relay_time on the bench card), its wiring and its contact"
            problems.append(Problem(instrument.where, what, mend))
