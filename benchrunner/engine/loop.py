"""The run itself: takes inputs from the bench, journals each, feeds the core, and passes on what comes out.

Nothing is fed that is not in the journal first. The loop knows no instrument and no file: host, journal and core do.
Where the host has several replies in a row and the core finds nothing but values in them, they are journaled and fed in
one go; every other input goes alone.
"""

import contextlib
import gc
import time
from collections.abc import Callable, Sequence
from typing import Protocol, runtime_checkable

from benchrunner.core.messages import Answer, Event, Fault, Input, Operator, Order, Output, Readings, Tick
from benchrunner.core.runner import Runner
from benchrunner.core.states import State
from benchrunner.engine.rescue import Failed, rescue
from benchrunner.engine.stream import EventStream, LiveReadings, MissedPolls
from benchrunner.record.journal import JournalError

_YOUNG = 20_000  # new objects before a look for cycles: more than replies wait for the journal
_LOOK = 0.02  # s of wall time between looks at the operator's wishes when the bench clock runs ahead


class Host(Protocol):
    """What the loop needs of a bench (benchrunner.bench.virtual and .live)."""

    @property
    def now(self) -> float: ...
    def submit(self, order: Order) -> None: ...
    def next(self, until: float) -> Input | None: ...


@runtime_checkable
class Batching(Protocol):
    """A host that can hand out several replies in one go (benchrunner.bench.virtual)."""

    def replies(self, until: float) -> Sequence[Readings]: ...
    def taken(self, count: int) -> None: ...


@runtime_checkable
class Counting(Protocol):
    """A host that counts the polls that each instrument missed."""

    def missed_polls(self) -> dict[str, int]: ...


class Journal(Protocol):
    """What the loop needs of a journal (benchrunner.record.journal)."""

    def input(self, seq: int, item: Input) -> None: ...
    def replies(self, first: int, items: Sequence[Readings]) -> None: ...
    def output(self, item: Output) -> None: ...


class Wishes(Protocol):
    """What came from the operator since the last look; never waits."""

    def take(self) -> list[dict[str, str]]: ...


def run(
    runner: Runner,
    host: Host,
    journal: Journal,
    stream: EventStream,
    wishes: Wishes,
    live: LiveReadings | None = None,
    answers: Callable[[str], str | None] = lambda _: None,
) -> Failed | None:
    """Run until the core says that it has ended, whatever fails on the way.

    Where the program itself fails, the bench is made safe all the same, and what became of it is returned.

    A journal that cannot be written (full disk) is a fatal fault: the core makes the bench safe, and what happens
    from then on is no longer recorded, which the end state says.
    """
    loop = _Loop(runner, host, journal, stream, wishes, live, answers)
    gc.freeze()  # what is there now stays for the whole run: no use in looking through it for cycles again and again
    often = gc.get_threshold()
    gc.set_threshold(_YOUNG, *often[1:])
    try:
        loop.run()
    except (Exception, KeyboardInterrupt) as error:
        touched = runner.touched or runner.state not in (State.READY, State.STARTING)
        return rescue(error, runner.plan, host, loop.tell, touched)
    finally:
        gc.set_threshold(*often)
        gc.unfreeze()
    return None


class _Loop:
    def __init__(
        self,
        runner: Runner,
        host: Host,
        journal: Journal,
        stream: EventStream,
        wishes: Wishes,
        live: LiveReadings | None,
        answers: Callable[[str], str | None],
    ) -> None:
        self.runner, self.host, self.journal, self.stream = runner, host, journal, stream
        self.wishes, self.live, self.answers = wishes, live, answers
        self.seq = 0  # of the last input journaled
        self.host_works = True
        self.prepared_answers: list[str] = []
        self.question = ""  # the step whose question is open, or was last
        self.batching = host if isinstance(host, Batching) else None
        self.missed = MissedPolls(stream, host.missed_polls) if isinstance(host, Counting) else None

    def run(self) -> None:
        runner, host, live = self.runner, self.host, self.live
        self._pass_on(runner.start(host.now))
        tick = runner.plan.tick
        due = host.now + tick
        look = 0.0
        while not runner.ended:
            wall = time.monotonic()
            if (
                wall >= look or self.prepared_answers
            ):  # an answer from a file: at once, so that two runs are alike
                look = wall + _LOOK
                self._hear()
                if self.missed is not None:
                    self.missed.look(host.now)
            if self._in_one_go(due):
                continue
            item = self._next(due)
            if type(item) is Tick:
                due += tick
                while due < host.now:  # a stalled host must not be answered with a flood of late ticks
                    due += tick
            self._feed(item)
            if live is not None:
                if type(item) is Readings:
                    live.add(item)
                else:
                    live.flush()
        if self.live is not None:
            self.live.flush(force=True)
        if self.missed is not None:
            self.missed.look(host.now, force=True)

    def _in_one_go(self, due: float) -> bool:
        """Journal and feed the replies that come next, as far as they bring nothing but values. False: there were none."""
        host = self.batching
        if host is None or not self.host_works:
            return False
        try:
            replies = host.replies(due)
        except Exception as error:
            self._feed(self._host_fails(due, error))
            return True
        count = self.runner.uneventful(replies) if replies else 0
        if not count:
            return False
        if count < len(replies):
            replies = replies[:count]
        host.taken(count)
        first = self.seq + 1
        self.seq += count
        try:
            self.journal.replies(first, replies)
        except JournalError as error:
            self.runner.keep(replies)
            self._journal_fails(replies[-1].arrived, error)
            return True
        self.runner.keep(replies)
        if self.live is not None:
            self.live.add_all(replies)
        return True

    def _next(self, due: float) -> Input:
        """The next input. A host that fails is a fatal fault once, and silence from then on: the core sees to the rest."""
        try:
            item = self.host.next(due)
        except Exception as error:  # whatever a link or an emulator throws, the bench has to be made safe
            return self._host_fails(due, error)
        return item if item is not None else Tick(max(due, self.host.now))

    def _host_fails(self, due: float, error: Exception) -> Input:
        now = max(due, self.host.now)
        if self.host_works:
            self.host_works = False
            return Fault(now, -1, f"the bench cannot be reached: {error}", fatal=True)
        time.sleep(min(self.runner.plan.tick, 0.1))
        return Tick(now)

    def _feed(self, item: Input) -> None:
        self.seq += 1
        try:
            self.journal.input(self.seq, item)
        except JournalError as error:
            # Raised once; the journal goes on as well as it can (it keeps space aside), so that making safe is written too.
            self._pass_on(self.runner.feed(item))
            self._journal_fails(item.arrived, error)
            return
        outputs = self.runner.feed(item)
        if outputs:
            self._pass_on(outputs)

    def _journal_fails(self, at: float, error: JournalError) -> None:
        self._feed(Fault(at, -1, f"{error.problem.what}; {error.problem.mend}", fatal=True))

    def _pass_on(self, outputs: list[Output]) -> None:
        for output in outputs:
            self.journal.output(output)
            if not isinstance(output, Event):
                self._submit(output)
            elif output.kind != "ended":  # told by the process, once the record is sealed
                self.stream.emit(output)
                if output.kind == "ask":
                    self._asked(str(output.data.get("id", "")))

    def _asked(self, step: str) -> None:
        again, self.question = step == self.question, step
        answer = self.answers(step)
        if answer is None:
            return
        if again:  # it did not fit: giving it over and over would only fill the journal
            text = f"the prepared answer {answer[:80]!r} does not fit the question of {step}"
            self.stream.send(self.host.now, "note", {"text": text, "level": "error"})
        else:
            self.prepared_answers.append(answer)

    def tell(self, event: Event) -> None:
        """Keep and show one event, each as far as it can be done."""
        with contextlib.suppress(Exception):
            self.journal.output(event)
        if event.kind != "ended":
            self.stream.emit(event)

    def _submit(self, order: Order) -> None:
        try:
            self.host.submit(order)
        except Exception as error:  # as in `_next`; the core counts an order without an answer as failed
            text = f"order {order.order} could not be given: {error}"
            self.stream.send(self.host.now, "note", {"text": text, "level": "error"})

    def _hear(self) -> None:
        now = self.host.now
        for answer in self.prepared_answers:
            self._feed(Answer(now, answer, by="answers file"))
        self.prepared_answers.clear()
        for wish in self.wishes.take():
            if "answer" in wish:
                if wish.get("to", self.question) != self.question:
                    text = (
                        f"an answer to {wish['to'][:80]} came too late and was not taken for {self.question}"
                    )
                    self.stream.send(now, "note", {"text": text, "level": "warning"})
                    continue
                self._feed(Answer(now, wish["answer"], by=wish.get("by", "")))
            elif wish.get("wish") in ("stop", "pause", "resume"):
                self._feed(Operator(now, wish["wish"], why=wish.get("why", ""), by=wish.get("by", "")))  # type: ignore[arg-type]
