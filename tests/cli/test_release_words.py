"""`benchrunner release` without a bench: since when, by what, and a command that can be copied and works."""

import re
import shlex
import sys
from pathlib import Path

import pytest

from benchrunner.bench import locks
from benchrunner.cards.bench import Bench, read_bench
from benchrunner.cli.main import main

SERVED = (Path(__file__).resolve().parents[2] / "resources/benches/loopback.toml").read_text(encoding="utf-8")
REASON = "guard battery-high: battery.voltage 58.6 V is above 58.4 V"


@pytest.fixture(autouse=True)
def own_state(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    monkeypatch.setenv("COLUMNS", "80")


def bench(path: Path, title: str) -> Bench:
    text = re.sub(r'^title = ".*"', f'title = "{title}"', SERVED, count=1, flags=re.M)
    text = text.replace("attended = false\n", "attended = false\nlock_after_trip = true\n", 1)
    path.parent.mkdir(exist_ok=True)
    path.write_text(text, encoding="utf-8")
    return read_bench(path)


@pytest.mark.skipif(sys.platform == "win32", reason="quoted as its own shell does")
def test_what_is_listed_can_be_copied_and_releases_the_bench(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    named = Path("bench cards") / "highmoor 2.toml"  # as a person may give it: from where the run was started
    assert locks.lock(bench(named, "Highmoor bench 2"), 43000, REASON, "/runs/one.bench")
    monkeypatch.chdir(tmp_path / "state")  # and released from somewhere else
    assert main(["release"]) == 0
    said = capsys.readouterr().out
    (trip,) = locks.all_locked()
    for text in ("locked: Highmoor bench 2", f"since   {trip.when}", REASON, "record  /runs/one.bench"):
        assert text in said
    command = said.splitlines()[-1].strip()
    assert command.startswith("benchrunner release ")
    assert "--port-base 43000" in command
    words = ["A. Fell" if word == "NAME" else word for word in shlex.split(command)[1:]]
    assert main(words) == 0
    assert locks.all_locked() == []
    assert "by A. Fell" in capsys.readouterr().out


@pytest.mark.parametrize("then", ["gone", "changed", "of an earlier version"])
def test_a_card_that_no_longer_releases_it_is_not_offered(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], then: str
) -> None:
    card = tmp_path / "cards" / "one.toml"
    assert locks.lock(bench(card, "One"), None, REASON, "/runs/one.bench")
    (file,) = (locks.state_folder() / "locked").glob("*.json")
    if then == "gone":
        card.unlink()
        why = "is gone"
    elif then == "changed":
        bench(card, "Two")
        why = "has another title or other addresses now"
    else:
        file.write_text('{"bench": "One", "what": "a guard", "when": "then", "record": "/runs/one.bench"}')
        why = "the lock does not say which card was used"
    assert main(["release"]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert why in said
    assert "its record holds that card, bench.toml" in said
    assert said.endswith('benchrunner release BENCH --by NAME --why "WHAT WAS FOUND"')


def test_a_lock_that_cannot_be_read_is_listed_too(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert locks.lock(bench(tmp_path / "cards" / "one.toml", "One"), None, "a guard\x1b[2J went")
    (file,) = (locks.state_folder() / "locked").glob("*.json")
    main(["release"])
    assert "\x1b" not in capsys.readouterr().out  # an instrument's words are in the reason
    file.write_bytes(b"\xff{")
    main(["release"])
    said = capsys.readouterr().out
    assert "no bench is locked" not in said
    assert file.name in said
