"""The guide's page on simulating without a bench: its blocks run as written, in order, and mean what the page says."""

import re
from pathlib import Path
from typing import Any

import pytest

PAGE = Path(__file__).resolve().parents[2] / "resources" / "guide" / "simulating.md"


def test_the_blocks_run_as_written(capsys: pytest.CaptureFixture[str]) -> None:
    blocks = re.findall(r"```python\n(.*?)```", PAGE.read_text("utf-8"), re.S)
    assert len(blocks) == 5
    names: dict[str, Any] = {}
    for block in blocks:
        exec(block, names)  # the guide's own lines
    out = capsys.readouterr().out
    assert "transfer" in out and "grid-lost" in out
    peaks = list(names["peaks"].values())
    assert 50.7 < peaks[0] < peaks[-1] <= 52.0  # the slower the answer, the higher the shift has to go
    assert 0.004 < names["gap"].duration < 0.02
    assert names["left"] == pytest.approx(0.5)
    assert names["samples"].shape == (2, 50_000) and names["not_carried"] == ("thd",)
