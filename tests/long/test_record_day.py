"""A record of a whole day: 24 hours, 24 channels, 10 Hz. Sealing in bounded memory, opening at once."""

import json
import os
import subprocess
import sys
import textwrap
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
SEALING_MEMORY = 400.0  # MiB in all
OPENING_TIME = 1.0  # s
HOURS = 24.0


def alone(script: str, *arguments: str) -> dict[str, float]:
    """Run a script in a process of its own; the figures that it prints."""
    done = subprocess.run(
        [sys.executable, "-c", textwrap.dedent(script), *arguments],
        env={**os.environ, "PYTHONPATH": os.pathsep.join([str(ROOT), str(ROOT / "tests" / "speed")])},
        capture_output=True, text=True, timeout=3600, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr[-2000:]
    return dict(json.loads(done.stdout.splitlines()[-1]))


@pytest.mark.skipif(sys.platform == "win32", reason="peak memory is asked of POSIX's getrusage")
def test_a_record_of_a_day(tmp_path: Path) -> None:
    subprocess.run(
        [sys.executable, str(ROOT / "tests" / "speed" / "day.py"), str(tmp_path / "run"), str(HOURS)],
        check=True, timeout=3600,
    )  # fmt: skip
    sealed = alone(
        """
        import json, resource, sys, time
        from benchrunner.record.seal import seal
        began = time.perf_counter()
        seal(sys.argv[1], sys.argv[2])
        print(json.dumps({
            "seconds": time.perf_counter() - began,
            "peak": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / (1 << (20 if sys.platform == "darwin" else 10)),
        }))
        """,
        str(tmp_path / "run"), str(tmp_path / "day.bench"),
    )  # fmt: skip
    opened = alone(
        """
        import json, sys, time
        began = time.perf_counter()
        from benchrunner.record.opened import Record
        loaded = time.perf_counter()
        record = Record.open(sys.argv[1])
        header = time.perf_counter()
        times, values = record.channel("bus.voltage")
        print(json.dumps({
            "import": loaded - began, "open": header - loaded, "channel": time.perf_counter() - header,
            "length": len(values), "readings": record.header["counts"]["readings"], "last": float(times[-1]),
        }))
        """,
        str(tmp_path / "day.bench"),
    )  # fmt: skip
    journal, record = (
        p.stat().st_size / 1e6 for p in (tmp_path / "run" / "run.journal", tmp_path / "day.bench")
    )
    print(
        f"{opened['readings']:.0f} readings, journal {journal:.0f} MB, record {record:.1f} MB; sealed in "
        f"{sealed['seconds']:.1f} s with {sealed['peak']:.0f} MiB at most; opened in {opened['open']:.3f} s "
        f"(with its imports {opened['import'] + opened['open']:.2f} s), one channel of "
        f"{opened['length']:.0f} readings in {opened['channel']:.2f} s"
    )
    assert opened["readings"] == 24 * HOURS * 36_000
    assert opened["length"] == HOURS * 36_000
    assert opened["last"] == pytest.approx(HOURS * 3600.0 + 0.002)
    assert sealed["peak"] < SEALING_MEMORY
    assert opened["import"] + opened["open"] < OPENING_TIME
