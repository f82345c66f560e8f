"""What a record costs: sealing, verifying, bytes, each against the plainest tool that does the same part of the job.

`python tests/speed/record.py [HOURS]`. A synthetic journal of a bench with 24 channels at 10 Hz goes through the real
`Journal`; its readings have the digits of the meters. Then, in turns, so that a busy machine slows both alike:

- sealing (reading the journal, coding, digests, container) against `pyarrow.parquet.write_table` (zstd) of the same readings
  as float64 columns from memory, one file a source, as any script would write them;
- verifying the record against `sha256sum` of the same file, each as a process of its own, the program's start left out by
  verifying twice within it and taking the second (the caches are warm for both);
- bytes of the record a reading against these Parquet files;
- journaling 200,000 replies one by one (`Journal.input`, closed and on the medium) against `msgpack.packb` of the same values
  appended to a buffered file that is flushed and synced as often.

Times are of the processor; the least of the rounds counts. Closes with one JSON line.
"""

import json
import resource
import subprocess
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

HERE = Path(__file__).resolve()
sys.path[:0] = [str(HERE.parents[2]), str(HERE.parent)]

from day import SOURCES, write_journal  # noqa: E402

ROUNDS = 5
WANTED = 1.3


def spent(work: Callable[[], Any]) -> tuple[float, Any]:
    """Processor time of a piece of work, its child processes' with it, and what it gave."""
    before = [resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    result = work()
    after = [resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    pairs = zip(before, after, strict=True)
    return sum(b.ru_utime + b.ru_stime - a.ru_utime - a.ru_stime for a, b in pairs), result


def columns_of(record: Any) -> list[dict[str, Any]]:
    """Every reading of a record as plain float64 columns, one table a source."""
    from benchrunner.record import parts, tables

    found = []
    for source, part in zip(record.plan.sources, parts.source_parts(record.plan.sources), strict=True):
        names = ["seq", "arrived", "at", "spread", "flags", *source.channels]
        table = tables.open_table(
            record.part(part), part, parts.readings_schema(source, record.plan.channels)
        )
        found.append(dict(zip(names, table.columns(), strict=True)))
    return found


REPLIES = 200_000


def journaled(folder: Path) -> tuple[float, float]:
    """Processor time a reply, in s: of our journal, and of msgpack to a file with as many syncs."""
    import os

    import msgpack

    sys.path.insert(0, str(HERE.parents[1] / "record"))
    from record_sample import facts

    from benchrunner.core.messages import Readings
    from benchrunner.record.journal import Journal

    items = [Readings(k * 0.1, 1, k * 0.1, 0.01, (56.0 + k * 0.001, -40.0)) for k in range(REPLIES)]
    syncs, fsync = [0], os.fsync

    def counted(number: int) -> None:
        syncs[0] += 1
        fsync(number)

    def ours() -> None:
        log = Journal.create(folder, facts())
        for seq, item in enumerate(items, 1):
            log.input(seq, item)
        log.close()

    os.fsync = counted
    try:
        our_cost, _ = spent(ours)
    finally:
        os.fsync = fsync

    def plain() -> None:
        every = max(REPLIES // max(syncs[0], 1), 1)
        with (folder / "plain").open("wb") as stream:
            for seq, item in enumerate(items, 1):
                row = (seq, item.arrived, item.source, item.at, item.spread, item.flags, *item.values)
                stream.write(msgpack.packb(row))
                if seq % every == 0:
                    stream.flush()
                    fsync(stream.fileno())

    plain_cost, _ = spent(plain)
    return our_cost / REPLIES, plain_cost / REPLIES


def main(hours: float) -> int:
    """All four comparisons."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    from benchrunner.record.opened import Record
    from benchrunner.record.seal import seal
    from benchrunner.record.verify import verify

    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        write_journal(folder / "run", hours)
        journal = folder / "run" / "run.journal"
        sealing, writing, verifying, summing = [], [], [], []
        journaling = [journaled(folder / f"journal{round_}") for round_ in range(ROUNDS)]
        plain_bytes = 0
        for round_ in range(ROUNDS):
            path = folder / f"{round_}.bench"
            cost, _ = spent(lambda path=path: seal(journal, path))  # type: ignore[misc]
            sealing.append(cost)
            tables = [pa.table(columns) for columns in columns_of(Record.open(path))]

            def write(tables: list[Any] = tables) -> None:
                for number, table in enumerate(tables):
                    pq.write_table(table, folder / f"plain{number}.parquet", compression="zstd")

            writing.append(spent(write)[0])
            plain_bytes = sum(one.stat().st_size for one in folder.glob("plain*.parquet"))
            del tables
            cost, found = spent(lambda path=path: verify(path, allow_unsigned=True))  # type: ignore[misc]
            if not found.ok:
                raise SystemExit(f"the record does not verify: {found.findings}")
            verifying.append(cost)
            summing.append(
                spent(lambda path=path: subprocess.run(["sha256sum", path], check=True, capture_output=True))[
                    0
                ]  # type: ignore[misc]
            )
        record = Record.open(folder / "0.bench")
        readings = record.header["counts"]["readings"]
        size = record.path.stat().st_size
    figures = {
        "hours": hours,
        "readings": readings,
        "seal_s": min(sealing),
        "plain_write_s": min(writing),
        "seal_ratio": min(sealing) / min(writing),
        "verify_s": min(verifying),
        "sha256sum_s": min(summing),
        "verify_ratio": min(verifying) / min(summing),
        "bytes_per_reading": size / readings,
        "plain_bytes_per_reading": plain_bytes / readings,
        "bytes_ratio": size / plain_bytes,
        "journal_us": 1e6 * min(ours for ours, _ in journaling),
        "msgpack_us": 1e6 * min(plain for _, plain in journaling),
    }
    figures["journal_ratio"] = figures["journal_us"] / figures["msgpack_us"]
    print(f"{hours:g} h of {len(SOURCES)} instruments with 24 channels at 10 Hz: {readings} readings\n")
    print(f"sealing {min(sealing):.2f} s; a bare pyarrow write of the same readings {min(writing):.2f} s: "
          f"{figures['seal_ratio']:.2f} times (wanted {WANTED})")  # fmt: skip
    print(f"verifying {1e3 * min(verifying):.1f} ms; sha256sum of the same bytes {1e3 * min(summing):.1f} ms: "
          f"{figures['verify_ratio']:.2f} times (wanted {WANTED})")  # fmt: skip
    print(f"the record {figures['bytes_per_reading']:.2f} bytes a reading; plain Parquet with zstd "
          f"{figures['plain_bytes_per_reading']:.2f}: {figures['bytes_ratio']:.2f} times (wanted below 1)")  # fmt: skip
    print(f"journaling {figures['journal_us']:.2f} us a reply; msgpack appended to a file, synced as often "
          f"{figures['msgpack_us']:.2f} us: {figures['journal_ratio']:.2f} times")  # fmt: skip
    print(json.dumps({name: round(value, 4) for name, value in figures.items()}))
    return 0


if __name__ == "__main__":
    sys.exit(main(float(sys.argv[1]) if len(sys.argv) > 1 else 8.0))
