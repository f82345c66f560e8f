"""The window's own process is asked to end, or killed, in the middle of a run: the bench is made safe and the record sealed."""

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from benchrunner.record.opened import Record
from benchrunner.record.verify import verify

# Opens the window as `benchrunner` does, starts a run in it and says so once the third step goes on.
DRIVER = """
import sys
from PySide6.QtCore import QTimer
from benchrunner.app import main as entry
application = entry.make_application()
state = {"started": False, "told": False}
def look():
    window = next((w for w in application.topLevelWidgets() if isinstance(w, entry.Window)), None)
    if window is None:
        return
    page = window.prepare
    if not state["started"]:
        page.read.setChecked(True)
        if page.start.isEnabled():
            page.out.setText(sys.argv[1])
            page.start.click()
            state["started"] = True
    elif not state["told"] and window.run.current is not None and window.run.current.index >= 2:
        state["told"] = True
        print("going", flush=True)
timer = QTimer()
timer.timeout.connect(look)
timer.start(30)
sys.exit(entry.main())
"""


@pytest.mark.skipif(
    sys.platform == "win32", reason="signals of this kind are POSIX; on Windows Ctrl-Break takes the same way"
)
@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGKILL], ids=lambda n: signal.Signals(n).name)
def test_a_window_that_ends_leaves_a_safe_bench_and_a_sealed_record(number: int, tmp_path: Path) -> None:
    out = tmp_path / "runs"
    with subprocess.Popen(
        [sys.executable, "-c", DRIVER, str(out)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env=dict(os.environ),
    ) as window:
        assert window.stdout is not None
        assert window.stdout.readline().strip() == "going", window.stderr.read() if window.stderr else ""
        assert not list(out.glob("*.bench"))
        window.send_signal(number)
        code = window.wait(60)
    assert code == (-signal.SIGKILL if number == signal.SIGKILL else 0)
    deadline = time.monotonic() + 60
    while not (found := list(out.glob("*.bench"))):
        assert time.monotonic() < deadline, list(out.iterdir())
        time.sleep(0.1)
    result = verify(found[0], allow_unsigned=True)
    assert result.ok, list(result.findings)
    header = Record.open(found[0]).header
    assert (header["finished"], header["safe"]["state"], header["exit"]) == (False, "confirmed", 4)
