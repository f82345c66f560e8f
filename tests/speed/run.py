"""What a run costs: an eight-hour charge with 24 channels at 10 Hz in memory, beside a loop written by hand.

`python tests/speed/run.py [HOURS]`. Both sides (tests/speed/sides.py) read the same emulators on the same plant, each
in a process of its own, and take turns every ten minutes of bench time, so that a busy machine slows both alike; times
are of the processor unless it says otherwise. A side's own cost is what it spends beyond plant and emulators: driver,
host, core, journal and sealing on the one, parsing, guards and a CSV file on the other. Closes with one JSON line, which
also holds the run's digests: what makes it faster must not change them.
"""

import json
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

SIDES = Path(__file__).resolve().parent / "sides.py"
POLLS = 100  # instruments' replies in a second of bench time


class Side:
    """One side in its process."""

    def __init__(self, name: str, hours: int, folder: str) -> None:
        self.name = name
        self.found: dict[str, Any] = {}
        self.process = subprocess.Popen(
            [sys.executable, str(SIDES), name, str(hours), folder],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        self.listen()

    def turn(self) -> None:
        """Let it go on until the end of its next turn."""
        assert self.process.stdin is not None
        self.process.stdin.write("\n")
        self.process.stdin.flush()
        self.listen()

    def listen(self) -> None:
        """Wait until it stops or is through."""
        assert self.process.stdout is not None
        line = self.process.stdout.readline()
        if line.startswith("{"):
            self.found = json.loads(line)
        elif not line:
            raise SystemExit(f"the side {self.name!r} ended without its figures")


def main(hours: int) -> int:
    """Both sides in turns, then the figures."""
    with tempfile.TemporaryDirectory() as folder:
        sides = [Side(name, hours, folder) for name in ("program", "bare")]
        while waiting := [side for side in sides if not side.found]:
            for side in waiting:
                side.turn()
        for side in sides:
            side.process.wait()
    program, bare = (side.found for side in sides)
    if program["exit"] != 0:
        raise SystemExit(f"the run ended with exit code {program['exit']}: {program['reason']}")
    figures = reckon(program, bare)
    show(hours, program, bare, figures)
    rounded: dict[str, Any] = {name: round(value, 4) for name, value in figures.items()}
    print(json.dumps({"hours": hours, **rounded, "digests": program["digests"]}))
    return 0


def reckon(program: dict[str, Any], bare: dict[str, Any]) -> dict[str, float]:
    """The figures that are compared; times for one hour of bench time."""
    spent = (program["cpu"] + program["seal_cpu"]) / program["seconds"] * 3600.0
    spent_bare = bare["cpu"] / bare["seconds"] * 3600.0
    both = ("plant", "emulators")
    physics = sum(program["shares"].get(part, 0.0) for part in both) * program["cpu"] / program["seconds"]
    physics_bare = sum(bare["shares"].get(part, 0.0) for part in both) * bare["cpu"] / bare["seconds"]
    own, own_bare = spent - physics * 3600.0, spent_bare - physics_bare * 3600.0
    early = program["memory"][:1] or [0.0]
    return {
        "times_real_time": 3600.0 / spent,
        "times_real_time_wall": program["seconds"] / (program["wall"] + program["seal_wall"]),
        "times_real_time_unsealed": program["seconds"] / program["cpu"],
        "bare_times_real_time": 3600.0 / spent_bare,
        "whole_ratio": spent / spent_bare,
        "own_us_per_reply": own / (3600.0 * POLLS) * 1e6,
        "bare_own_us_per_reply": own_bare / (3600.0 * POLLS) * 1e6,
        "own_ratio": own / own_bare if own_bare else 0.0,
        "own_to_whole_bare": own / spent_bare,
        "peak_mb": program["peak"],
        "bare_peak_mb": bare["peak"],
        "seal_peak_mb": program["seal_peak"],
        "grown_mb": max(program["memory"], default=0.0) - early[0],
    }


def show(hours: int, program: dict[str, Any], bare: dict[str, Any], figures: dict[str, float]) -> None:
    """The same for people."""
    print(f"{hours} h of charge, 24 channels of 10 instruments at 10 Hz: {program['inputs']} inputs\n")
    print(f"{'':34}{'benchrunner':>12}{'by hand':>12}")
    rows = (
        ("times real time", figures["times_real_time"], figures["bare_times_real_time"], "10.0f"),
        (
            "  by the clock on the wall",
            figures["times_real_time_wall"],
            bare["seconds"] / bare["wall"],
            "10.0f",
        ),
        ("seconds of processor time", program["cpu"] + program["seal_cpu"], bare["cpu"], "10.1f"),
        ("  of these sealing", program["seal_cpu"], 0.0, "10.1f"),
        ("own cost, us a reply", figures["own_us_per_reply"], figures["bare_own_us_per_reply"], "10.2f"),
        ("peak memory, MB", figures["peak_mb"], figures["bare_peak_mb"], "10.0f"),
        ("  with sealing", figures["seal_peak_mb"], figures["bare_peak_mb"], "10.0f"),
        ("grown since minute 10, MB", figures["grown_mb"], max(bare["memory"]) - bare["memory"][0], "10.1f"),
        ("file, MB", program["record_mb"], bare["csv_mb"], "10.1f"),
    )
    for what, ours, theirs, form in rows:
        print(f"{what:34}{ours:{form}}  {theirs:{form}}")
    hourly = " ".join(f"{memory:.0f}" for memory in program["memory"][5::6])
    print(f"memory at the end of each hour, MB: {hourly}")
    print("\nshare of the run (before sealing)")
    names = {"wire": "wire (driver, link)", "loop": "loop (the rest)", "journal": "journal (packing)"}
    for part in ("plant", "emulators", "wire", "host", "core", "journal", "loop"):
        ours, theirs = program["shares"].get(part, 0.0), bare["shares"].get(part, 0.0)
        print(f"  {names.get(part, part):32}{100 * ours:9.1f} %  {100 * theirs:8.1f} %")
    print(
        f"\na run costs {figures['whole_ratio']:.2f} times the whole loop by hand; what it adds to plant and emulators is "
        f"{figures['own_ratio']:.2f} times what the loop adds, and {figures['own_to_whole_bare']:.2f} times the whole loop"
    )


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1]) if len(sys.argv) > 1 else 8))
