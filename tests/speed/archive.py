"""What a search of the archive costs with 100,000 records in it.

`python tests/speed/archive.py [RECORDS] [sqlite|postgresql|URL]`. Rows are made up, and go into the index the way that a rebuild puts
them (16 channels, 10 checks, 2 parts of equipment a record): SQLite in a temporary folder, then a PostgreSQL that is started as the
tests start theirs, or one of them alone, or an empty database of a URL. Beside each search, in turns with it, its peer: the very
SQL statements that it sends, sent by the bare database driver over an open connection. Each kind of search runs 60 times with changing values, as `benchrunner archive search` asks (how many there are, up to
10,000 where channels, checks or firmware are asked for, and the newest 20). Prints median and the worst in ms, of the peer as well,
and closes with one JSON line. Wanted: under 200 ms each.
"""

import json
import random
import shutil
import statistics
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from sqlalchemy import event

from benchrunner.record.archive import Archive, Condition, Query
from benchrunner.record.archive.entry import ChannelRow, CheckRow, Device, Entry

CHANNELS = (
    ("bus.voltage", "V", 230), ("bus.frequency", "Hz", 51), ("bus.current", "A", 20), ("battery.voltage", "V", 54),
    ("battery.current", "A", 60), ("battery.power", "W", 3e3), ("battery.soc", "1", 0.9), ("battery.temperature", "K", 298),
    ("pv.power", "W", 4e3), ("pv.current", "A", 17), ("load.power", "W", 3e3), ("load.current", "A", 13),
    ("grid.voltage", "V", 230), ("grid.power", "W", 1e3), ("pv_source.power", "W", 4e3), ("battery_inverter.power", "W", 2e3),
)  # fmt: skip
VERDICTS = ("pass",) * 17 + ("fail", "inconclusive", "not judged")
DAY = 86_400_000
BEGIN = 1_672_531_200_000  # 2023-01-01
REPEATS = 60


def entries(count: int) -> Iterator[tuple[Entry, str]]:
    """Made-up records of three years: 40 pairings, 25 procedures, 60 firmware versions."""
    rng = random.Random(20261125)
    for k in range(count):
        pairing, procedure, verdict = rng.randrange(40), rng.randrange(25), rng.choice(VERDICTS)
        identity, digest = f"{k:064x}", f"{k + (1 << 200):064x}"
        channels = []
        for name, unit, level in CHANNELS:
            low, high = sorted(level * (1 + rng.gauss(0, 0.03)) for _ in range(2))
            channels.append(ChannelRow(name, unit, 9000, low, high, (low + high) / 2))
        checks = tuple(
            CheckRow("drop", f"check-{(procedure + c) % 60}", "maximum", "bus.voltage", "V", 230.0, None, 264.5, 0.6, 34.5,
                     verdict if c == 0 else "pass") for c in range(10)
        )  # fmt: skip
        devices = (
            Device("battery_inverter", "Tarn-6", f"HM-{k % 90}", f"2.{rng.randrange(60)}.1"),
            Device("pv_inverter", "Corrie-5", f"HM-{k % 70}", f"1.{rng.randrange(60)}.0"),
        )
        entry = Entry(
            identity, digest, 900_000, BEGIN + rng.randrange(3 * 365 * DAY), 231.0, f"Pairing {pairing}", f"pairing-{pairing}",
            f"{pairing:064x}", f"Procedure {procedure}", f"procedure-{procedure}", f"{procedure:064x}", "Highmoor bench", "0" * 64,
            "Highmoor Training Laboratory", f"operator {k % 12}", verdict, True, "procedure", False, False, 1, devices, checks,
            tuple(channels),
        )  # fmt: skip
        yield entry, f"records/2026/{k}.bench"


def searches() -> dict[str, Callable[[random.Random], Query]]:
    """Each kind of search."""

    def above(name: str, level: float, unit: str) -> Condition:
        return Condition.read(f"{name} maximum > {level} {unit}".replace(" 1 ", " "))

    def days(rng: random.Random, span: int) -> dict[str, int]:
        since = BEGIN + rng.randrange(1000) * DAY
        return {"since": since, "until": since + span * DAY}

    return {
        "everything": lambda rng: Query(most=20),
        "pairing": lambda rng: Query(pairing=f"pairing-{rng.randrange(40)}", most=20),
        "pairing, anything behind *": lambda rng: Query(pairing=f"Pairing {rng.randrange(4)}*", most=20),
        "pairing and procedure": lambda rng: Query(
            pairing=f"pairing {rng.randrange(40)}", procedure=f"procedure-{rng.randrange(25)}", most=20
        ),
        "verdict": lambda rng: Query(verdict=rng.choice(("fail", "inconclusive", "pass")), most=20),
        "firmware": lambda rng: Query(firmware=f"battery_inverter=2.{rng.randrange(60)}.1", most=20),
        "week": lambda rng: Query(**days(rng, 7), most=20),
        "check that failed": lambda rng: Query(check=f"check-{rng.randrange(30)}", check_verdict="fail", most=20),
        "channel, few fit": lambda rng: Query(channels=(above("battery.voltage", 59 + rng.random(), "V"),), most=20),
        "channel, nearly all fit": lambda rng: Query(channels=(above("battery.voltage", 40 + rng.random(), "V"),), most=20),
        "two channels, half fit": lambda rng: Query(
            channels=(above("battery.voltage", 55, "V"), above("bus.frequency", 51 + rng.random() / 9, "Hz")), most=20
        ),
        "channel, none fits": lambda rng: Query(channels=(above("battery.voltage", 90, "V"),), most=20),
        "halves that exclude": lambda rng: Query(
            pairing="pairing*", most=20,
            channels=(above("battery.voltage", 54.5, "V"), Condition.read("battery.voltage maximum < 54.4 V")),
        ),
        "verdict, nearly all fit": lambda rng: Query(
            verdict="pass", channels=(above("battery.voltage", 40 + rng.random(), "V"),), most=20
        ),
        "all of it": lambda rng: Query(
            pairing=f"pairing-{rng.randrange(40)}", procedure=f"procedure-{rng.randrange(25)}", verdict="pass",
            firmware=f"2.{rng.randrange(6)}*", check=f"check-{rng.randrange(30)}", **days(rng, 500),
            channels=(above("battery.voltage", 54 + rng.random(), "V"),), most=20,
        ),
    }  # fmt: skip


class Bare:
    """The statements of the searches, sent again by the driver alone."""

    def __init__(self, archive: Archive) -> None:
        self._sent: list[tuple[str, Any]] = []
        engine = archive._index._engine
        self._pooled = engine.raw_connection()
        event.listen(engine, "before_cursor_execute", self._keep)

    def _keep(self, _c: Any, _r: Any, statement: str, parameters: Any, *_: Any) -> None:
        self._sent.append((statement, parameters))

    def forget(self) -> None:
        """What was sent until now."""
        self._sent.clear()

    def again(self) -> float:
        """What was sent since, once more: s."""
        cursor = self._pooled.cursor()
        begin = time.perf_counter()
        for statement, parameters in self._sent:
            if statement.startswith("BEGIN"):
                continue
            cursor.execute(statement, parameters)
            if cursor.description:
                cursor.fetchall()
        took = time.perf_counter() - begin
        cursor.close()
        self._pooled.rollback()
        return took

    def close(self) -> None:
        """Let go of the connection."""
        self._pooled.close()


def main(count: int, which: str) -> int:
    """Fill, search, say: on each kind of index that is asked for."""
    if which == "postgresql" or not which:
        sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "record"))
        from archive_places import postgresql

    worst = 0.0
    if which in ("", "sqlite"):
        worst = measured(count, "")
    if which in ("", "postgresql"):
        folder = Path(tempfile.mkdtemp(prefix="arc"))  # short: a socket's path has some 100 characters
        try:
            with postgresql(folder) as url:
                worst = max(worst, measured(count, url))
        finally:
            shutil.rmtree(folder, ignore_errors=True)
    elif which != "sqlite":
        worst = measured(count, which)
    return 0 if worst < 200 else 1


def measured(count: int, url: str) -> float:
    """One index filled and searched; the worst of all in ms."""
    kind = "postgresql" if url else "sqlite"
    with tempfile.TemporaryDirectory() as folder, Archive(folder, url) as archive:
        begin = time.perf_counter()
        with archive._index.writing() as connection:
            archive._index.put(connection, entries(count))
        archive._index.settle()
        filled = time.perf_counter() - begin
        size = Path(folder, "index.sqlite")
        mib = size.stat().st_size / (1 << 20) if size.exists() else 0.0
        print(
            f"{kind}: {count} records put into the index in {filled:.1f} s"
            + (f", {mib:.0f} MiB" if mib else "")
        )
        print(
            f"{'search':28}{'found':>9}{'median ms':>11}{'worst ms':>10}{'SQL median':>12}{'SQL worst':>11}"
        )
        figures: dict[str, dict[str, float]] = {}
        bare = Bare(archive)
        for name, make in searches().items():
            rng, times, found, peer = random.Random(7), [], [], []
            for _ in range(REPEATS):
                query = make(rng)
                bare.forget()
                begin = time.perf_counter()
                found.append(archive.search(query).total)
                times.append((time.perf_counter() - begin) * 1000)
                peer.append(bare.again() * 1000)
            figures[name] = {"median": statistics.median(times), "worst": max(times),
                             "sql_median": statistics.median(peer), "sql_worst": max(peer)}  # fmt: skip
            print(f"{name:28}{statistics.median(found):9.0f}" + "".join(
                f"{figures[name][key]:{width}.1f}" for key, width in
                (("median", 11), ("worst", 10), ("sql_median", 12), ("sql_worst", 11))), flush=True)  # fmt: skip
        bare.close()
    worst = max(f["worst"] for f in figures.values())
    rounded = {name: {k: round(v, 2) for k, v in f.items()} for name, f in figures.items()}
    print(
        json.dumps(
            {
                "index": kind,
                "records": count,
                "fill_s": round(filled, 1),
                "worst_ms": round(worst, 1),
                "searches": rounded,
            }
        )
    )
    return worst


if __name__ == "__main__":
    sys.exit(
        main(int(sys.argv[1]) if len(sys.argv) > 1 else 100_000, sys.argv[2] if len(sys.argv) > 2 else "")
    )
