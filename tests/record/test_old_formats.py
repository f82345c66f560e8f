"""What earlier programs wrote stays readable: a journal and a record of each format, kept in tests/vectors/records."""

import shutil
from pathlib import Path

from record_sample import inputs
from test_codec import same

from benchrunner.record import journal
from benchrunner.record.keys import Store
from benchrunner.record.opened import Record
from benchrunner.record.seal import seal
from benchrunner.record.verify import verify

KEPT = Path(__file__).parents[1] / "vectors" / "records"


def test_a_record_of_version_1_opens_and_verifies(tmp_path: Path) -> None:
    record = Record.open(KEPT / "record-1.bench")
    assert record.header["version"] == 1
    expected = inputs(12)
    found = list(record.inputs())
    assert [seq for seq, _ in found] == list(range(1, len(expected) + 1))
    assert all(same(item, wanted) for (_, item), wanted in zip(found, expected, strict=True))
    assert len(record.readings) == sum(len(getattr(item, "values", ())) for item in expected)
    assert record.waveforms[0].samples.shape == (2, 600)
    assert verify(record.path, store=Store(tmp_path / "keys")).ok


def test_a_journal_of_format_1_is_sealed(tmp_path: Path) -> None:
    """What an earlier program left behind in a crash can still be recovered."""
    (tmp_path / "run").mkdir()
    shutil.copy(KEPT / "journal-1.journal", tmp_path / "run" / journal.FILE_NAME)
    tail = journal.Tail()
    items = list(journal.read(tmp_path / "run", tail))
    assert items[0][1]["format"] == 1
    assert tail.closed
    record = Record.open(seal(tmp_path / "run", tmp_path / "x.bench"))
    expected = inputs(12)
    assert all(same(item, wanted) for (_, item), wanted in zip(record.inputs(), expected, strict=True))
    old = Record.open(KEPT / "record-1.bench")
    assert record.events == old.events
    assert record.checks == old.checks
    assert {**record.header["counts"]} == old.header["counts"]
