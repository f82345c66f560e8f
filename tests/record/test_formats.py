"""What earlier programs wrote stays readable: a record of each version and a journal of format 1 (`tests/vectors/records`)."""

import shutil
from dataclasses import replace
from pathlib import Path

import pytest
import record_sample
from test_codec import same

from benchrunner.core.messages import Captured
from benchrunner.record import journal
from benchrunner.record.keys import Store
from benchrunner.record.opened import Record
from benchrunner.record.seal import seal
from benchrunner.record.verify import verify

KEPT = Path(__file__).resolve().parent.parent / "vectors" / "records"
VERDICTS = {
    "step/reached": "pass",
    "step/voltage": "pass",
    "step/too-tight": "fail",
    "step/peak": "inconclusive",
}


@pytest.mark.parametrize("path", sorted(KEPT.glob("format-*.bench")), ids=lambda path: path.stem)
def test_a_kept_record_reads_verifies_and_judges_as_it_did(path: Path, tmp_path: Path) -> None:
    state = verify(path, store=Store(tmp_path))
    assert state.ok and state.signed and state.demo, state.findings
    record = Record.open(path)
    assert f"format-{record.header['version']}" == path.stem
    found = {f"{c['step']}/{c['id']}": c["verdict"] for c in record.checks}
    assert found == VERDICTS
    again = record.rejudge()
    assert again.ok, again.says
    times, values = record.channel("bus.voltage")
    assert len(times) == len(values) > 50
    assert abs(float(values[-20:].mean()) - 229.0) < 5.0 or values[-1] < 1.0  # on the bus, or made safe
    assert record.waveforms[0].samples.shape[0] == 2
    assert len(record.readings) > 1000


def test_a_journal_of_format_1_is_sealed(tmp_path: Path) -> None:
    """What an earlier program left behind in a crash can still be recovered, as if it had been written today."""
    (tmp_path / "run").mkdir()
    shutil.copy(KEPT / "journal-1.journal", tmp_path / "run" / journal.FILE_NAME)
    tail = journal.Tail()
    items = list(journal.read(tmp_path / "run", tail))
    assert items[0][1]["format"] == 1
    assert tail.closed
    record = Record.open(seal(tmp_path / "run", tmp_path / "x.bench"))
    expected = [
        replace(item, prescribed=()) if isinstance(item, Captured) else item
        for item in record_sample.inputs(12)
    ]  # which was not kept then
    found = list(record.inputs())
    assert [seq for seq, _ in found] == list(range(1, len(expected) + 1))
    assert all(same(item, wanted) for (_, item), wanted in zip(found, expected, strict=True))
    assert len(record.readings) == sum(len(getattr(item, "values", ())) for item in expected)
    assert record.waveforms[0].samples.shape == (2, 600)
    record_sample.write(tmp_path / "today", 12)
    today = Record.open(seal(tmp_path / "today", tmp_path / "today.bench"))
    assert record.events == today.events
    assert record.checks == today.checks
    assert record.header["counts"] == today.header["counts"]
