"""`verify --json`: one JSON object on the last line, with the exit codes as they are."""

import json
import shutil
from pathlib import Path
from typing import Any

import forged
import pytest
import record_sample
from test_formats import KEPT

from benchrunner.cli.main import main
from benchrunner.record.countersign import countersign
from benchrunner.record.keys import SigningKey
from benchrunner.record.seal import seal

PAGE = Path(__file__).parents[2] / "resources" / "guide" / "signatures.md"
REVIEWER = SigningKey.from_seed("highmoor-reviewer", bytes(range(1, 33)))


@pytest.fixture
def verify_json(capsys: pytest.CaptureFixture[str]) -> Any:
    def call(*words: str | Path) -> tuple[int, dict[str, Any]]:
        code = main(["verify", *(str(w) for w in words), "--json"])
        out = capsys.readouterr().out
        found = json.loads(out.splitlines()[-1], parse_constant=lambda word: pytest.fail(word))
        assert found["exit"] == code
        return code, found

    return call


def test_a_signed_record(verify_json: Any, sealed: Path, tmp_path: Path, key: SigningKey) -> None:
    path = Path(shutil.copy(sealed, tmp_path / "r.bench"))
    countersign(path, REVIEWER, "reviewer", "gr\u00fcn, \u05d1\u05d3\u05d5\u05e7")
    code, found = verify_json(path)
    header = json.loads(forged.members_of(path)["header.json"])
    assert (code, found["verifies"], found["signed"], found["known"]) == (0, True, True, False)
    assert (found["verdict"], found["finished"], found["simulated"], found["imported"]) == (
        "pass",
        True,
        True,
        False,
    )
    assert found["digests"] == header["digests"] and found["findings"] == []
    assert found["rejudged"] is found["limits"] is None and found["record"] == str(path)
    first, second = found["signatures"]
    assert (first["key"], first["role"], first["covers"]) == (key.public.thumbprint, "operator", [])
    assert second["comment"] == "gr\u00fcn, \u05d1\u05d3\u05d5\u05e7" and second["covers"] == [
        "signatures/0001.jws"
    ]
    trust = tmp_path / "trust.toml"
    entry = f'[[keys]]\nperson = "A. Trainer"\nkey = "{key.public.thumbprint}"\n'
    trust.write_text(f"format = 1\n{entry}")
    code, found = verify_json(path, "--trust", trust)
    assert (
        code == 1
        and not found["verifies"]
        and [s["person"] for s in found["signatures"]] == ["A. Trainer", None]
    )
    assert [(f["part"], f["kind"]) for f in found["findings"]] == [("signatures/0002.jws", "unknown key")]
    trust.write_text(f"format = 1\n{entry}revoked = 2020-01-01\n")
    assert "revoked" in {f["kind"] for f in verify_json(path, "--trust", trust)[1]["findings"]}


def test_what_does_not_verify(
    verify_json: Any, sealed: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    raw = bytearray(sealed.read_bytes())
    raw[len(raw) // 2] ^= 1
    (tmp_path / "spoiled.bench").write_bytes(raw)
    for more in ([], ["--rejudge"], ["--limits", str(tmp_path / "absent.toml")]):
        code, found = verify_json(tmp_path / "spoiled.bench", *more)
        assert code == 1 and not found["verifies"] and found["findings"] and found["digests"] is None
        assert found["verdict"] is found["simulated"] is found["rejudged"] is found["limits"] is None
    (tmp_path / "text").write_text("no record")
    code, found = verify_json(tmp_path / "text")
    assert code == 1 and found["findings"][0]["kind"] == "structure" and found["signatures"] == []
    record_sample.write(tmp_path / "run")
    unsigned = seal(tmp_path / "run", tmp_path / "u.bench")
    code, found = verify_json(unsigned)
    assert code == 1 and [f["kind"] for f in found["findings"]] == ["unsigned"] and found["verdict"] == "pass"
    code, found = verify_json(unsigned, "--allow-unsigned")
    assert code == 0 and found["verifies"] and not found["signed"]
    assert main(["verify", str(tmp_path / "absent"), "--json"]) == 2  # refused: no object
    assert capsys.readouterr().out == ""


def test_judged_again_and_under_other_limits(verify_json: Any, tmp_path: Path) -> None:
    """On the record that is kept of format 2: it has one check of each verdict."""
    path = KEPT / "format-2.bench"
    code, found = verify_json(path, "--rejudge")
    assert (
        code == 0
        and found["rejudged"]["ok"]
        and found["rejudged"]["checks"] == 4
        and found["verdict"] == "fail"
    )
    assert found["rejudged"]["differences"] == []
    file = tmp_path / "limits.toml"
    for low, expected in (("0 W", 3), ("2.5 kW", 1)):
        file.write_text(
            f'format = 1\n[checks."step/too-tight"]\nlow = "{low}"\nhigh = "3 kW"\nrule = "simple"\n'
        )
        code, found = verify_json(path, "--limits", file)
        assert code == expected and found["verifies"]
        now = {c["check"]: c for c in found["limits"]["checks"]}
        assert now["step/too-tight"]["changed"] and now["step/too-tight"]["now"] == (
            "pass" if expected == 3 else "fail"
        )
        assert found["limits"]["verdict"] == ("inconclusive" if expected == 3 else "fail")


def test_a_verdict_that_does_not_follow_is_listed(verify_json: Any, tmp_path: Path) -> None:
    members = forged.members_of(KEPT / "format-2.bench")
    header = json.loads(members["header.json"])
    check = next(c for c in header["checks"] if c["verdict"] == "fail")
    check["verdict"] = "pass"
    path = forged.forge(tmp_path / "x.bench", members, header)
    code, found = verify_json(path, "--rejudge")
    assert code == 1 and not found["verifies"] and not found["rejudged"]["ok"]
    (one,) = [d for d in found["rejudged"]["differences"] if d["what"] == "verdict"]
    assert (one["check"], one["on_record"], one["again"]) == ("step/too-tight", "pass", "fail")


def test_a_verdict_on_the_whole_that_does_not_follow_is_said(verify_json: Any, tmp_path: Path) -> None:
    members = forged.members_of(KEPT / "format-2.bench")
    header = json.loads(members["header.json"])
    assert header["verdict"] == "fail"
    code, found = verify_json(
        forged.forge(tmp_path / "x.bench", members, header | {"verdict": "pass"}), "--rejudge"
    )
    assert code == 1 and not found["verifies"] and found["rejudged"]["differences"] == []
    assert "the header's verdict is 'pass'; its checks make it 'fail'" in found["rejudged"]["says"]


def test_the_guide_names_every_key(verify_json: Any, sealed: Path) -> None:
    text = PAGE.read_text("utf-8")
    _, found = verify_json(sealed)
    for name in (*found, *found["signatures"][0]):
        assert f"`{name}`" in text, name
