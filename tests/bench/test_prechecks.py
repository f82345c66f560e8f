"""The checks before power: kept with name, time and validity for one bench card, and asked for by a run."""

import datetime
import hashlib
import itertools
import json
import re
from pathlib import Path

import pytest

from benchrunner import data
from benchrunner.bench import prechecks
from benchrunner.bench.prechecks import (
    CHECKS,
    GATES,
    WIRING,
    Proof,
    enter,
    enter_wiring,
    history,
    pass_gates,
    standing,
)
from benchrunner.cards.bench import Bench, read_bench
from benchrunner.cli.main import main
from benchrunner.errors import Refused

UTC = datetime.UTC


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Bench:
    """A bench that is said to be real, with a state folder of its own."""
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    return card(tmp_path)


def card(folder: Path, more: str = "") -> Bench:
    text = data.find("loopback", "resources", "benches").read_text(encoding="utf-8")
    path = folder / "real.toml"
    path.write_text(text.replace("simulated = true", "simulated = false", 1) + more, encoding="utf-8")
    return read_bench(path)


def prove_all(bench: Bench) -> None:
    for name, kind in CHECKS.items():
        measured = {"value": "> 200 Mohm", "instrument": "HTL-IT-01"} if kind.measured else {}
        enter(bench, name, "A. Fell", **measured)
    enter_wiring(bench, True, "A. Fell", "proof.bench")


def test_without_them_every_gate_refuses_and_says_how_to_mend(bench: Bench) -> None:
    problems = pass_gates(bench, "real.toml").problems
    assert len(problems) == len(GATES) == 7
    for gate, problem in zip(GATES, problems, strict=True):
        assert gate in problem.where and "nobody has recorded it" in problem.what
        assert "benchrunner" in problem.mend


def test_with_them_the_run_may_begin_and_carries_what_was_proved(bench: Bench) -> None:
    prove_all(bench)
    passed = pass_gates(bench, "real.toml")
    assert passed.problems == () and passed.overridden == ()
    assert {proof.check for proof in passed.held} == set(GATES)
    insulation = next(proof for proof in passed.held if proof.check == "insulation")
    assert (insulation.by, insulation.value, insulation.instrument) == ("A. Fell", "> 200 Mohm", "HTL-IT-01")


def test_a_changed_card_is_proved_anew(bench: Bench, tmp_path: Path) -> None:
    prove_all(bench)
    changed = card(tmp_path, "\n# one wire more\n")
    assert all("earlier bench card" in problem.what for problem in pass_gates(changed, "real.toml").problems)
    assert len(history(changed)) == 7  # the history is the bench's, not the card's


def test_a_failure_stands_until_it_is_proved_again(bench: Bench) -> None:
    prove_all(bench)
    enter(bench, "emergency-stop", "B. Rigg", result="fail", note="one contact sticks")
    (problem,) = pass_gates(bench, "real.toml").problems
    assert "it failed (B. Rigg" in problem.what
    enter(bench, "emergency-stop", "B. Rigg")
    assert not pass_gates(bench, "real.toml").problems
    assert [proof.result for proof in history(bench) if proof.check == "emergency-stop"] == [
        "pass",
        "fail",
        "pass",
    ]


def test_validity_ends(bench: Bench) -> None:
    enter(bench, "polarity", "A. Fell", hours=2.0)
    digest, entries = prechecks.card_digest(bench), history(bench)
    now = datetime.datetime.now(UTC)
    assert isinstance(standing(entries, digest, now + datetime.timedelta(hours=1.9))["polarity"], Proof)
    assert "held until" in str(standing(entries, digest, now + datetime.timedelta(hours=2.1))["polarity"])
    assert "future" in str(standing(entries, digest, now - datetime.timedelta(hours=1))["polarity"])


def test_a_wiring_proof_holds_for_the_day(bench: Bench) -> None:
    proof = enter_wiring(bench, True, "A. Fell", "proof.bench")
    until = datetime.datetime.fromisoformat(proof.until).astimezone()
    assert (until - datetime.timedelta(seconds=1)).date() == datetime.datetime.now().astimezone().date()
    enter_wiring(bench, False, "A. Fell", "later.bench", "the current clamp of grid_meter is reversed")
    assert "it failed" in str(standing(history(bench), prechecks.card_digest(bench))[WIRING])


def test_only_the_proof_itself_needs_no_wiring_proof(bench: Bench) -> None:
    wheres = [p.where for p in pass_gates(bench, "real.toml", proof_itself=True).problems]
    assert len(wheres) == 6 and not any(WIRING in where for where in wheres)


def test_a_gate_is_passed_by_name_and_reason_and_kept(bench: Bench) -> None:
    passed = pass_gates(bench, "b", overrides=[WIRING], by="C. Beck", why="proved by hand")
    assert len(passed.problems) == 6
    (kept,) = passed.overridden
    assert (kept["gate"], kept["by"], kept["why"]) == (WIRING, "C. Beck", "proved by hand")
    assert "nobody" in kept["missing"]
    for lacking in ({"by": "C. Beck"}, {"why": "because"}, {"by": " ", "why": " "}):
        assert any(
            p.where == "--override" for p in pass_gates(bench, "b", overrides=[WIRING], **lacking).problems
        )
    assert any(
        "is no gate" in p.what for p in pass_gates(bench, "b", overrides=["all"], by="x", why="y").problems
    )


def test_an_override_that_is_not_needed_is_not_kept(bench: Bench) -> None:
    prove_all(bench)
    assert pass_gates(bench, "b", overrides=[WIRING], by="x", why="y").overridden == ()


def test_a_simulated_bench_is_not_asked() -> None:
    simulated = read_bench(data.find("simulated", "resources", "benches"))
    assert pass_gates(simulated, "simulated") == prechecks.Passed()


@pytest.mark.parametrize(
    ("how", "said"),
    [
        ({"check": "insulation"}, "is missing: insulation is measured"),
        ({"check": "everything"}, "is no check before power"),
        (
            {"check": "wiring-proof"},
            "is a run of its own, kept when it ends\n    mend: benchrunner run wiring-proof",
        ),
        ({"by": "  "}, "is missing"),
        ({"result": "perhaps"}, "is no result"),
        ({"hours": 0.0}, "is no validity"),
        ({"hours": float("nan")}, "is no validity"),
        ({"note": "x" * 301}, "is too long"),
        ({"note": "two\nlines"}, "cannot be printed"),
    ],
)
def test_what_is_no_entry_is_refused_and_nothing_is_kept(
    bench: Bench, how: dict[str, object], said: str
) -> None:
    given: dict[str, object] = {"check": "polarity", "by": "A. Fell", **how}
    with pytest.raises(Refused) as caught:
        enter(bench, given.pop("check"), given.pop("by"), **given)  # type: ignore[arg-type]
    assert any(said in str(problem) for problem in caught.value.problems)
    assert history(bench) == []


@pytest.mark.parametrize("damage", ["change", "drop", "garbage", "deep"])
def test_a_history_that_was_changed_is_not_believed(bench: Bench, damage: str) -> None:
    prove_all(bench)
    path = prechecks.history_path(bench)
    lines = path.read_bytes().splitlines(keepends=True)
    if damage == "change":
        lines[1] = lines[1].replace(b"A. Fell", b"A. Rigg")
    elif damage == "drop":
        del lines[2]
    else:
        lines[3] = b"{]\n" if damage == "garbage" else b"[" * 100_000 + b"\n"
    path.write_bytes(b"".join(lines))
    (problem,) = pass_gates(bench, "real.toml").problems
    assert "does not follow" in problem.what
    with pytest.raises(Refused):
        enter(bench, "polarity", "A. Fell")
    assert path.read_bytes() == b"".join(lines)


def test_each_line_carries_the_digest_of_the_one_before(bench: Bench) -> None:
    prove_all(bench)
    lines = prechecks.history_path(bench).read_bytes().splitlines()
    for one, following in itertools.pairwise(lines):
        assert json.loads(following)["before"] == hashlib.sha256(one).hexdigest()


@pytest.mark.parametrize("lost", [1, 3, 7, "file"])
def test_entries_lost_at_the_end_are_noticed(bench: Bench, lost: int | str) -> None:
    prove_all(bench)
    path = prechecks.history_path(bench)
    lines = path.read_bytes().splitlines(keepends=True)
    if lost == "file":
        path.unlink()
    else:
        path.write_bytes(b"".join(lines[: -int(lost)]))
    (problem,) = pass_gates(bench, "real.toml").problems
    assert "7 were written" in problem.what and "prove anew" in problem.mend
    with pytest.raises(Refused):
        enter(bench, "polarity", "A. Fell")


def test_an_entry_exchanged_for_another_at_the_end_is_noticed(bench: Bench) -> None:
    prove_all(bench)
    path = prechecks.history_path(bench)
    lines = path.read_bytes().splitlines(keepends=True)
    path.write_bytes(b"".join(lines[:-1]) + lines[-1].replace(b"proof.bench", b"other.bench"))
    (problem,) = pass_gates(bench, "real.toml").problems
    assert "cut off or replaced" in problem.what


def test_what_a_crash_between_entry_and_head_leaves_is_believed(bench: Bench) -> None:
    prove_all(bench)
    beside = next(prechecks.history_path(bench).parent.glob("*.proofs-head"))
    before = beside.read_bytes()
    enter(bench, "polarity", "B. Rigg")
    beside.write_bytes(before)  # the entry was written, the head was not yet
    assert pass_gates(bench, "real.toml").problems == () and len(history(bench)) == 8
    beside.write_bytes(b'{"entries": true}')
    (problem,) = pass_gates(bench, "real.toml").problems
    assert "no head" in problem.what


def test_a_wiring_proof_must_be_one_of_as_many_phases_as_the_pairing_has(bench: Bench) -> None:
    prove_all(bench)  # of one phase
    assert pass_gates(bench, "real.toml", phases=1).problems == ()
    (problem,) = pass_gates(bench, "real.toml", phases=3).problems
    assert "only one of 1 phases" in problem.what and "run wiring-proof-legs" in problem.mend
    enter_wiring(bench, True, "A. Fell", "legs.bench", phases=3)
    assert pass_gates(bench, "real.toml", phases=3).problems == ()
    assert pass_gates(bench, "real.toml", phases=1).problems == ()  # each kind holds by its own newest entry
    enter_wiring(bench, False, "A. Fell", "legs.bench", phases=3)
    assert "it failed" in pass_gates(bench, "real.toml", phases=3).problems[0].what


def test_calibration_past_due_is_passed_by_name_and_kept(tmp_path: Path, bench: Bench) -> None:
    text = re.sub(r"^due = .*$", "due = 2020-01-01", bench.document.raw.decode(), flags=re.M)
    text = re.sub(r"^calibrated = .*$", "calibrated = 2019-01-01", text, flags=re.M)
    (tmp_path / "late.toml").write_text(text, encoding="utf-8")
    late = read_bench(tmp_path / "late.toml")
    prove_all(late)
    problems = pass_gates(late, "late.toml").problems
    assert len(problems) == text.count("due = 2020") and "--override calibration" in problems[0].mend
    passed = pass_gates(late, "late.toml", overrides=["calibration"], by="C. Beck", why="loan meter away")
    assert passed.problems == ()
    (gate,) = passed.overridden
    assert (gate["gate"], gate["by"], gate["why"]) == ("calibration", "C. Beck", "loan meter away")
    assert gate["missing"].count("due on 2020-01-01") == len(problems)
    nameless = pass_gates(late, "late.toml", overrides=["calibration"]).problems
    assert any("named person" in problem.what for problem in nameless)


def test_what_is_lacking_says_how_the_wiring_proof_is_made(
    bench: Bench, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["prove", str(bench.document.path)]) == 0
    said = capsys.readouterr().out.split("wiring-proof: nobody has recorded it\n")[1]
    assert said.strip().startswith("a run of wiring-proof (or wiring-proof-legs) on this card that passes")
