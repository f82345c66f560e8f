"""Sealing, opening, recovering: what the journal holds is in the record bit for bit, and nothing else."""

import copy
import io
import json
import math
import os
import signal
import subprocess
import sys
import textwrap
import time
import tracemalloc
import zipfile
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
import record_sample
from record_sample import inputs
from test_codec import same

from benchrunner.core.messages import Captured, Readings
from benchrunner.errors import Refused
from benchrunner.record import container, journal
from benchrunner.record.keys import SigningKey
from benchrunner.record.opened import Record
from benchrunner.record.recover import recover
from benchrunner.record.seal import SealError, seal
from benchrunner.record.verify import verify


def test_every_input_comes_back_bit_for_bit(sealed: Path) -> None:
    back = list(Record.open(sealed).inputs())
    assert [seq for seq, _ in back] == list(range(1, len(inputs()) + 1))
    for (_, one), other in zip(back, inputs(), strict=True):
        assert same(one, other), (one, other)


def test_the_plan_and_the_files_are_there_verbatim(sealed: Path) -> None:
    record = Record.open(sealed)
    assert record.plan == record_sample.plan()
    facts = record_sample.facts()
    assert record.part("procedure.toml") == facts.procedure.raw
    assert record.part("pairing.toml") == facts.pairing.raw
    assert record.part("bench.toml") == facts.bench.raw
    assert record.part("drivers/dc-meter.toml") == facts.drivers[1].raw
    assert record.header["procedure"]["sha256"] == facts.procedure.sha256


def test_the_header_says_how_it_ended(sealed: Path) -> None:
    header = Record.open(sealed).header
    assert header["verdict"] == "pass"
    assert header["finished"] is True
    assert header["ended_by"] == "procedure"
    assert header["exit"] == 0
    assert header["simulated"] is True
    assert header["gap"] is None
    assert header["safe"]["state"] == "confirmed"
    assert header["safe"]["steps"][0]["phase"] == "confirmed"
    assert header["counts"]["waveforms"] == 1
    assert header["counts"]["inputs"] == len(inputs())
    assert header["started"] == record_sample.STARTED


def test_a_planned_check_that_never_was_judged_says_so(sealed: Path) -> None:
    checks = {c["id"]: c for c in Record.open(sealed).checks}
    assert checks["worst-peak"]["verdict"] == "not judged"
    assert checks["steady"]["verdict"] == "pass"
    assert Record.open(sealed).verdict == "pass", "not judged is not among the judged"


def test_readings_as_a_data_frame(sealed: Path) -> None:
    frame = Record.open(sealed).readings
    expected = [i for i in inputs() if isinstance(i, Readings)]
    assert len(frame) == 2 * len(expected)
    volts = frame[frame.channel == "battery.voltage"]
    assert volts.value.tolist() == [i.values[0] for i in expected if i.source == 1]
    assert volts.time.tolist() == [i.at for i in expected if i.source == 1]
    assert set(volts.unit) == {"V"}
    hertz = frame[frame.channel == "bus.frequency"]
    assert math.isnan(hertz.value.iloc[2])
    assert hertz.overloaded.tolist().count(True) == 1
    current = frame[frame.channel == "battery.current"]
    assert current.repeat.any()
    assert not volts.repeat.any()
    assert frame.seq.is_monotonic_increasing
    times, values = Record.open(sealed).channel("battery.voltage")
    assert values.tolist() == volts.value.tolist()
    assert times.tolist() == volts.time.tolist()
    with pytest.raises(KeyError, match="no such channel"):
        Record.open(sealed).channel("bus.colour")


def test_a_part_reads_in_plain_pandas(sealed: Path) -> None:
    with zipfile.ZipFile(sealed) as file:
        frame = pd.read_parquet(io.BytesIO(file.read("readings/battery.parquet")))
    assert list(frame.columns) == [
        "seq",
        "arrived",
        "at",
        "spread",
        "flags",
        "battery.voltage",
        "battery.current",
    ]
    assert (frame["battery.voltage"] / 10.0**3).iloc[
        0
    ] == 56.0  # as the column's metadata says: decimal, exponent 3
    codings = {p["name"]: p.get("codings") for p in Record.open(sealed).header["parts"]}
    assert codings["readings/battery.parquet"]["battery.voltage"] == "decimal 3"
    assert codings["ticks.parquet"] == {"seq": "plain", "arrived": "bits"}


def test_units_travel_with_the_columns(sealed: Path) -> None:
    import pyarrow.parquet as pq

    schema = pq.read_schema(io.BytesIO(Record.open(sealed).part("readings/bus.parquet")))
    assert schema.field("bus.frequency").metadata[b"unit"] == b"Hz"
    assert schema.field("bus.voltage").metadata[b"of_reading"] == b"0.001"
    assert schema.metadata[b"source"] == b"bus"


def test_waveforms(sealed: Path) -> None:
    (wave,) = Record.open(sealed).waveforms
    assert wave.samples.tobytes() == record_sample.wave().tobytes()
    assert (wave.start, wave.rate, wave.trigger) == (6.1, 2000.0, 6.3)
    assert wave.step == "drop"
    assert wave.units == ("V", "V")
    assert wave.frame()["battery.voltage"].iloc[0] == record_sample.wave()[1, 0]
    assert wave.frame().index[1] == pytest.approx(6.1005)


def test_the_container_is_an_ordinary_zip_of_stored_members(sealed: Path) -> None:
    with zipfile.ZipFile(sealed) as file:
        assert file.testzip() is None
        infos = file.infolist()
    assert [i.filename for i in infos] == sorted(i.filename for i in infos)
    assert all(i.compress_type == zipfile.ZIP_STORED and i.date_time == (1980, 1, 1, 0, 0, 0) for i in infos)
    assert all(not i.extra and not i.comment for i in infos)


def test_the_same_run_twice_gives_the_same_digests(tmp_path: Path) -> None:
    records = []
    for name in ("a", "b"):
        record_sample.write(tmp_path / name)
        records.append(Record.open(seal(tmp_path / name, tmp_path / f"{name}.bench")).header)
    assert records[0]["digests"] == records[1]["digests"]
    record_sample.write(tmp_path / "c", count=59)
    other = Record.open(seal(tmp_path / "c", tmp_path / "c.bench")).header
    assert other["digests"]["readings"] != records[0]["digests"]["readings"]


def test_a_record_is_never_written_over(tmp_path: Path) -> None:
    record_sample.write(tmp_path / "run")
    first = seal(tmp_path / "run", tmp_path / "x.bench")
    before = first.read_bytes()
    second = seal(tmp_path / "run", tmp_path / "x.bench")
    assert second.name == "x-2.bench"
    assert first.read_bytes() == before
    named = seal(tmp_path / "run", tmp_path)
    assert named.name == "20260302-091500-load-rejection-on-a-nearly-full-battery.bench"
    assert not list(tmp_path.glob(".sealing-*")), "nothing half-made stays behind"


def test_facts_that_came_later_are_in_the_header(tmp_path: Path) -> None:
    log = record_sample.write(tmp_path / "run", close=False, deviations=("load bank warm",))
    log.fact("deviations", ["door opened once"])
    log.fact("instruments", [{"name": "bus", "serial": "HM-0099"}])
    log.fact("ambient", {"temperature": 294.1, "nan": math.nan})
    log.close()
    header = Record.open(seal(tmp_path / "run", tmp_path / "x.bench")).header
    assert header["deviations"] == ["load bank warm", "door opened once"]
    assert header["instruments"] == [{"name": "bus", "serial": "HM-0099"}]
    assert header["further"] == {"ambient": {"temperature": 294.1, "nan": None}}


def test_the_header_fits_its_published_schema(sealed: Path) -> None:
    import jsonschema

    from benchrunner import data

    schema = json.loads(
        (data.folder("resources") / "schemas" / "record-header.schema.json").read_text("utf-8")
    )
    jsonschema.Draft202012Validator.check_schema(schema)
    validator = jsonschema.Draft202012Validator(schema)
    header = Record.open(sealed).header
    header["notes"] = header["notes"] or [{"at": 1.0, "text": "bench warm", "level": "info"}]
    assert not list(validator.iter_errors(header))
    for change in (
        {"verdict": "perhaps"},
        {"parts": []},
        {"simulated": None},
        {"surprise": 1},
        {"started": "today"},
    ):
        assert list(validator.iter_errors({**header, **change})), change
    # a key that the page on the format does not name is seen at every level, but for facts that became known in the run
    open_places, seen = {("further",), ("overrides",), ("parameters",), ("program", "libraries")}, 0
    for place in _mappings(header):
        more = copy.deepcopy(header)
        inner = more
        for key in place:
            inner = inner[key]
        inner["surprise"] = {"value": 1}
        found = bool(list(validator.iter_errors(more)))
        assert found is (place != ("further",)), place
        seen += place not in open_places
    assert {("checks", 0), ("instruments", 0), ("notes", 0), ("safe", "steps", 0), ("channels", 0)} <= set(
        _mappings(header)
    )
    assert seen > 15


def _mappings(value: Any, place: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """Where a mapping stands; of a list, the first item."""
    if isinstance(value, dict):
        inner = [p for key, v in value.items() if place != ("further",) for p in _mappings(v, (*place, key))]
        return [place, *inner]
    return _mappings(value[0], (*place, 0)) if isinstance(value, list) and value else []


def test_memory_stays_bounded_while_sealing(tmp_path: Path) -> None:
    """Two hundred thousand readings seal within a few tens of megabytes of Python's own memory."""
    log = journal.Journal.create(tmp_path / "run", record_sample.facts())
    for seq in range(1, 100_001):
        log.input(seq, Readings(seq * 0.1, 1, seq * 0.1, 0.01, (56.0 + seq % 97 * 0.001, -40.0)))
    log.close()
    tracemalloc.start()
    path = seal(tmp_path / "run", tmp_path / "long.bench")
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 60e6
    assert len(Record.open(path).channel("battery.voltage")[1]) == 100_000


def test_recover_seals_a_crash_and_invents_nothing(tmp_path: Path, key: SigningKey) -> None:
    _crashed(record_sample.write(tmp_path / "run", ended=False, close=False))
    _age(tmp_path / "run")
    raw = (tmp_path / "run" / journal.FILE_NAME).read_bytes()
    (tmp_path / "run" / journal.FILE_NAME).write_bytes(raw + b"\x40\0\0\0torn")
    _age(tmp_path / "run")
    outcome = recover(tmp_path / "run", key=key)
    assert outcome.record == tmp_path / "run.bench"
    record = Record.open(outcome.record)
    assert record.header["finished"] is False
    assert record.header["exit"] == 4
    assert record.header["ended_by"] == "crash"
    assert record.header["safe"]["state"] == "not confirmed"
    assert record.header["gap"]["bytes_lost"] == 8
    assert [seq for seq, _ in record.inputs()] == list(range(1, len(inputs()) + 1))
    assert any("8 bytes" in line for line in outcome.says)
    assert any("NOT known" in line for line in outcome.says)
    assert verify(outcome.record).ok
    assert not any("sealed before" in line or "not signed" in line for line in outcome.says)
    again = recover(tmp_path / "run")
    assert any("sealed before as run.bench" in line for line in again.says)
    assert any("not signed: give --key" in line for line in again.says)
    with pytest.raises(Refused, match="name one of the runs in it: run"):
        recover(tmp_path)
    assert (tmp_path / "run" / journal.FILE_NAME).read_bytes() == raw + b"\x40\0\0\0torn"


def test_recover_of_a_finished_run_says_that_it_had_finished(tmp_path: Path) -> None:
    record_sample.write(tmp_path / "run")
    _age(tmp_path / "run")
    assert any("had finished" in line for line in recover(tmp_path / "run").says)


def test_recover_at_every_cut_of_the_tail(tmp_path: Path) -> None:
    """Power loss at a byte of the tail: what is sealed are the first inputs, unbroken, and the record verifies.

    Here the bytes round the frames' ends and samples between; every byte: tests/long.
    """
    raw, ends = record_sample.cut_journal(tmp_path / "run", 3)
    cuts = {end + offset for end, _ in ends for offset in range(-3, 12)} | {*range(ends[0][0], len(raw), 29)}
    for cut in sorted(cut for cut in cuts if ends[0][0] <= cut <= len(raw)):
        record_sample.assert_cut_is_recovered(tmp_path / "cut", raw, ends, cut)


@pytest.mark.skipif(sys.platform == "win32", reason="kill -9 is POSIX's")
def test_recover_after_kill_9(tmp_path: Path) -> None:
    script = textwrap.dedent(
        """
        import sys, time
        sys.path[:0] = sys.argv[2:4]
        import record_sample
        record_sample.write(__import__("pathlib").Path(sys.argv[1]), ended=False, close=False).sync()
        print("written", flush=True)
        time.sleep(60)
        """
    )
    writer = subprocess.Popen(
        [sys.executable, "-c", script, str(tmp_path / "run"), str(Path(__file__).parent), os.getcwd()],
        stdout=subprocess.PIPE, text=True,
    )  # fmt: skip
    assert writer.stdout is not None
    assert writer.stdout.readline() == "written\n"
    writer.send_signal(signal.SIGKILL)
    writer.wait(10)
    writer.stdout.close()
    outcome = recover(tmp_path / "run")
    assert Record.open(outcome.record).header["counts"]["inputs"] == len(inputs())


def test_recover_leaves_a_run_alone_that_lives(tmp_path: Path) -> None:
    """Without waiting for it, and even where it has had nothing to write for a while."""
    log = record_sample.write(tmp_path / "run", ended=False, close=False)
    log.sync()
    _age(tmp_path / "run")
    began = time.monotonic()
    with pytest.raises(Refused, match="still being written") as refused:
        recover(tmp_path / "run")
    assert time.monotonic() - began < 10.0
    assert "run.journal" in refused.value.problems[0].where and refused.value.problems[0].mend
    log.close()
    assert sorted(path.name for path in (tmp_path / "run").iterdir()) == [journal.FILE_NAME]
    recover(tmp_path / "run")


@pytest.mark.skipif(sys.platform == "win32", reason="kill -9 is POSIX's")
def test_a_run_of_another_process_is_left_alone_until_it_is_killed(tmp_path: Path) -> None:
    script = """
import sys, time
sys.path[:0] = sys.argv[2:4]
import record_sample, pathlib
record_sample.write(pathlib.Path(sys.argv[1]), ended=False, close=False).sync()
print("written", flush=True)
time.sleep(60)
"""
    writer = subprocess.Popen(
        [sys.executable, "-c", script, str(tmp_path / "run"), str(Path(__file__).parent), os.getcwd()],
        stdout=subprocess.PIPE, text=True,
    )  # fmt: skip
    assert writer.stdout is not None
    assert writer.stdout.readline() == "written\n"
    _age(tmp_path / "run")
    with pytest.raises(Refused, match="still being written"):
        recover(tmp_path / "run")
    writer.kill()
    writer.wait(10)
    writer.stdout.close()
    recover(tmp_path / "run")
    assert sorted(path.name for path in (tmp_path / "run").iterdir()) == [journal.FILE_NAME]


def test_without_a_lock_growth_tells(tmp_path: Path) -> None:
    """As on a share that knows no locks."""
    import threading

    log = record_sample.write(tmp_path / "run", ended=False, close=False)
    log._lock.release()
    stop = threading.Event()

    def go_on() -> None:
        seq = 1000
        while not stop.wait(0.05):
            seq += 1
            log.input(seq, Readings(seq * 0.1, 0, seq * 0.1, 0.01, (230.0, 50.0)))

    thread = threading.Thread(target=go_on)
    thread.start()
    try:
        with pytest.raises(Refused, match="still being written"):
            recover(tmp_path / "run")
    finally:
        stop.set()
        thread.join()
        log.close()


def test_recover_refuses_in_words(tmp_path: Path) -> None:
    with pytest.raises(Refused, match="cannot be read"):
        recover(tmp_path / "nothing")
    (tmp_path / "run").mkdir()
    (tmp_path / "run" / journal.FILE_NAME).write_bytes(journal.MAGIC)
    _age(tmp_path / "run")
    with pytest.raises(Refused, match="not even its header"):
        recover(tmp_path / "run")


def test_a_journal_of_another_kind_is_refused(tmp_path: Path) -> None:
    log = record_sample.write(tmp_path / "run", count=3, close=False)
    log.input(99, Readings(1.0, 7, 1.0, 0.1, (1.0,)))  # a source that the plan does not have
    log.close()
    with pytest.raises(SealError, match="no run writes"):
        seal(tmp_path / "run", tmp_path / "x.bench")
    assert not (tmp_path / "x.bench").exists()
    assert not list(tmp_path.glob(".sealing-*"))


def test_opening_what_is_no_record_is_one_clear_problem(sealed: Path, tmp_path: Path) -> None:
    raw = sealed.read_bytes()
    for content in (b"", b"no", raw[:-1], raw + b"x", raw[100:]):
        path = tmp_path / "x.bench"
        path.write_bytes(content)
        with pytest.raises(container.ContainerError) as refused:
            Record.open(path)
        assert refused.value.problem.mend
    with pytest.raises(container.ContainerError):
        Record.open(tmp_path / "not-there.bench")


def test_hostile_parquet_is_refused_before_it_is_decoded(sealed: Path, tmp_path: Path) -> None:
    import pyarrow as pa
    import pyarrow.parquet as pq

    def with_part(name: str, raw: bytes) -> Record:
        with zipfile.ZipFile(sealed) as file:
            members = {i.filename: file.read(i) for i in file.infolist()}
        path = tmp_path / "x.bench"
        path.unlink(missing_ok=True)
        container.write(path, list({**members, name: raw}.items()))
        return Record.open(path)

    def parquet(table: pa.Table) -> bytes:
        out = io.BytesIO()
        pq.write_table(table, out)
        return out.getvalue()

    good = Record.open(sealed).part("readings/bus.parquet")
    for raw in (
        b"", b"PAR1PAR1", good[:-5], good[: len(good) // 2] + b"\xff" * 40 + good[len(good) // 2 + 40 :],
        parquet(pa.table({"seq": pa.array(["x"])})), parquet(pa.table({"other": np.zeros(3)})),
    ):  # fmt: skip
        record = with_part("readings/bus.parquet", raw)
        with pytest.raises(container.ContainerError):
            list(record.inputs())
        with pytest.raises(container.ContainerError):
            _ = record.readings
    for raw in (
        b"{",
        b"[]\n",
        b'{"seq":1}\n',
        b'{"seq":"a","kind":"tick","arrived":1}\n',
        b'{"kind":"other"}\n',
        b"\xff\n",
    ):
        with pytest.raises(container.ContainerError):
            list(with_part("inputs.jsonl", raw).inputs())
    for raw in (b"", b"{}", b"[1]", b'{"order":{}}'):
        with pytest.raises(container.ContainerError):
            _ = with_part("plan.json", raw).plan
        assert not with_part("plan.json", raw).rejudge().ok


def test_a_failed_capture_has_no_part(sealed: Path) -> None:
    failed = [i for _, i in Record.open(sealed).inputs() if isinstance(i, Captured) and not i.ok]
    assert len(failed) == 1
    assert failed[0].text == "no trigger within 5 s"


def _crashed(log: journal.Journal) -> None:
    """As its process leaves it when it dies: written, not closed, and the system let go of its lock."""
    log.sync()
    log._lock.release()


def _age(folder: Path) -> None:
    """As if the run had crashed a while ago."""
    os.utime(folder / journal.FILE_NAME, (1_700_000_000, 1_700_000_000))
