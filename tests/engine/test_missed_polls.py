"""A poll that brought nothing is shown while the run goes on, not only at its end."""

import io
import json
from pathlib import Path

import pytest
from fault_matrix import Case, run_card

from benchrunner.engine import stream
from benchrunner.engine.loop import Counting
from benchrunner.engine.stream import EventStream, MissedPolls
from benchrunner.engine.watchdog.keeper import Watched


def test_a_run_counts_its_missed_polls_on_the_event_stream(tmp_path: Path) -> None:
    outcome = run_card(Case("bus_meter", "garbage", 100.0, 1).card(), tmp_path)
    counts = [event["data"]["missed"] for event in outcome.events if event["kind"] == "polling"]
    record = outcome.record
    assert record is not None
    rows = record.readings
    own = rows[rows["channel"] == "bus.voltage"]
    times = own["time"].to_numpy()[own["value"].isna().to_numpy()]
    assert len(times[times > 99.0]) == 1
    assert counts and counts[-1] == {"bus_meter": 1}
    kinds = [event["kind"] for event in outcome.events]
    assert kinds.index("polling") < len(kinds) - 1 - kinds[::-1].index("check"), "told while the run goes on"


def test_counts_are_sent_at_once_and_then_no_more_than_once_a_second(monkeypatch: pytest.MonkeyPatch) -> None:
    wall, counts, sink = [100.0], {}, io.StringIO()
    monkeypatch.setattr(stream.time, "monotonic", lambda: wall[0])
    events = EventStream(sink)
    missed = MissedPolls(events, lambda: dict(counts))
    missed.look(0.0)
    counts["bus_meter"] = 1
    missed.look(1.0)
    for step in range(9):
        counts["bus_meter"] += 1
        wall[0] += 0.1
        missed.look(1.1 + step / 10)
    wall[0] += 0.2
    missed.look(2.1)
    missed.look(2.2)
    counts["load"] = 1
    missed.look(2.3, force=True)
    events.close()
    sent = [json.loads(line) for line in sink.getvalue().splitlines()]
    assert [(event["at"], event["data"]["missed"]) for event in sent] == [
        (1.0, {"bus_meter": 1}), (2.1, {"bus_meter": 10}), (2.3, {"bus_meter": 10, "load": 1})
    ]  # fmt: skip


def test_a_bench_that_a_watchdog_watches_is_counted_too() -> None:
    class Host:
        now = 0.0

        def submit(self, order: object) -> None: ...

        def next(self, until: float) -> None: ...

        def missed_polls(self) -> dict[str, int]:
            return {"load": 2}

    watched = Watched(Host(), [])  # type: ignore[arg-type]
    assert isinstance(watched, Counting) and watched.missed_polls() == {"load": 2}
