"""How long the window takes to be seen, against a bare PySide6 + pyqtgraph window, in alternating runs of fresh processes.

Run it as `python tests/speed/window.py [rounds]`. Each process reports the time from its start until its window was painted
for the first time. The window loads its charts after that, before it reads the first procedure; the time until they are there is told beside it.
The last line is one JSON object.
"""

import json
import os
import statistics
import subprocess
import sys
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]

# The peer: what any program with such a window pays. One chart, as a strip chart program would begin.
BARE = """
import sys, time
from PySide6.QtCore import QTimer
from PySide6.QtWidgets import QApplication, QMainWindow
import pyqtgraph as pg
application = QApplication([])
window = QMainWindow()
chart = pg.PlotWidget()
window.setCentralWidget(chart)
window.resize(1280, 800)
class Seen(pg.QtCore.QObject):
    def eventFilter(self, watched, event):
        if event.type() == event.Type.Paint:
            QTimer.singleShot(0, lambda: (print(time.time(), flush=True), application.quit()))
        return False
seen = Seen()
chart.viewport().installEventFilter(seen)
window.show()
application.exec()
"""

OURS = """
import sys, time
from PySide6.QtCore import QObject, QTimer
from benchrunner.app import main as entry
application = entry.make_application()
class Seen(QObject):
    painted = None
    def eventFilter(self, watched, event):
        if event.type() == event.Type.Paint and self.painted is None and watched.isWidgetType() and watched.window().isVisible():
            self.painted = time.time()
        return False
    def look(self):
        window = next(w for w in application.topLevelWidgets() if isinstance(w, entry.Window))
        if self.painted is not None and window._run_page is not None:
            print(self.painted, time.time(), flush=True)
            application.quit()
seen = Seen()
application.installEventFilter(seen)
timer = QTimer()
timer.timeout.connect(seen.look)
timer.start(5)
sys.exit(entry.main())
"""


def measure(program: str) -> list[float]:
    """Seconds from starting Python until the window was painted, and what else the program tells."""
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    environment.setdefault("QT_QPA_PLATFORM", "offscreen")
    began = time.time()
    done = subprocess.run(
        [sys.executable, "-c", program],
        env=environment,
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    if not done.stdout.strip():
        raise SystemExit(f"the window was never painted: {done.stderr[-2000:]}")
    return [float(word) - began for word in done.stdout.split()]


def main() -> int:
    """Print both medians and their ratio."""
    rounds = int(sys.argv[1]) if len(sys.argv) > 1 else 7
    measure(BARE), measure(OURS)  # so that both find their files in memory
    bare: list[float] = []
    ours: list[float] = []
    charts: list[float] = []
    for number in range(rounds):
        for kind in ("bare", "ours") if number % 2 == 0 else ("ours", "bare"):
            if kind == "bare":
                bare.append(measure(BARE)[0])
            else:
                painted, loaded = measure(OURS)
                ours.append(painted)
                charts.append(loaded)
        print(
            f"round {number + 1}: bare {bare[-1]:.3f} s, ours {ours[-1]:.3f} s, with its charts {charts[-1]:.3f} s"
        )
    ratio = statistics.median(ours) / statistics.median(bare)
    print(
        f"median: bare {statistics.median(bare):.3f} s, ours {statistics.median(ours):.3f} s, ratio {ratio:.2f} (wanted below 1.5)"
    )
    print(
        json.dumps(
            {
                "benchmark": "window",
                "bare_s": round(statistics.median(bare), 4),
                "ours_s": round(statistics.median(ours), 4),
                "ratio": round(ratio, 3),
                "charts_loaded_s": round(statistics.median(charts), 4),
                "wanted_below": 1.5,
                "rounds": rounds,
                "platform": os.environ.get("QT_QPA_PLATFORM", "offscreen"),
            }
        )
    )
    return 0


if __name__ == "__main__":
    sys.exit(main())
