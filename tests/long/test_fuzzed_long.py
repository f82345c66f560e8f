"""Two thousand forgeries that know the format (tests/record/fuzzed.py); the quick suite samples them."""

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "record"))

import forged
import record_sample
import test_fuzzed

from benchrunner.record.keys import SigningKey
from benchrunner.record.seal import seal


def test_two_thousand(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    for variable in ("HOME", "XDG_DATA_HOME", "LOCALAPPDATA"):
        monkeypatch.setenv(variable, str(tmp_path / "home"))
    record_sample.write(tmp_path / "run", count=12)
    members = forged.members_of(
        seal(tmp_path / "run", tmp_path / "whole.bench", SigningKey.from_seed("o", bytes(32)))
    )
    codes: dict[int, int] = {}
    for number in range(10):
        folder = tmp_path / str(number)
        folder.mkdir()
        for code, count in test_fuzzed.one_round(number, members, folder, capsys).items():
            codes[code] = codes.get(code, 0) + count
    with capsys.disabled():
        print(f"2000 forgeries; verify ended with {dict(sorted(codes.items()))}")
    assert sum(codes.values()) == 2000
    assert codes[0] > 100
    assert codes[1] > 500
    assert codes[2] > 200
