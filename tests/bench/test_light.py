"""Reading and checking cards loads none of the heavy libraries; they load when first needed."""

import subprocess
import sys
from pathlib import Path

CODE = """
import sys
from benchrunner.bench import fits, hosts, plan, wire, live, virtual
from benchrunner.cards.bench import read_bench
bench = read_bench("resources/benches/loopback.toml")
assert not fits.check_bench(bench)
wire.connect(bench, 27300)  # links are made, not opened
heavy = {"pint", "pandas", "pyarrow", "numba", "pvlib", "scipy", "pyvisa", "pymodbus", "serial", "PySide6"}
print(",".join(sorted(heavy & set(sys.modules))))
"""


def test_cards_and_links_are_light() -> None:
    root = Path(__file__).parents[2]
    done = subprocess.run(
        [sys.executable, "-c", CODE], capture_output=True, text=True, cwd=root, check=True, timeout=60
    )
    assert done.stdout.strip() == ""
