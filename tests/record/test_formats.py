"""Records of every format version stay readable: one of each is kept (`tests/vectors/records`), made by the program of its day."""

from pathlib import Path

import pytest

from benchrunner.record.keys import Store
from benchrunner.record.opened import Record
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
    found = {f"{c['step']}/{c['id']}": c["verdict"] for c in record.checks}
    assert found == VERDICTS
    again = record.rejudge()
    assert again.ok, again.says
    times, values = record.channel("bus.voltage")
    assert len(times) == len(values) > 50
    assert abs(float(values[-20:].mean()) - 229.0) < 5.0 or values[-1] < 1.0  # on the bus, or made safe
    assert record.waveforms[0].samples.shape[0] == 2
    assert len(record.readings) > 1000
