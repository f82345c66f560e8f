"""A trust list made and extended by the command; the guide's own lists are read as they stand."""

import json
import re
import shutil
from pathlib import Path

import pytest

from benchrunner import data
from benchrunner.cards import reading
from benchrunner.cli.main import main
from benchrunner.record.countersign import countersign
from benchrunner.record.keys import SigningKey
from benchrunner.record.limits import LimitsFile
from benchrunner.record.trust import read_trust

REVIEWER = SigningKey.from_seed("highmoor-reviewer", bytes(range(1, 33)))


def public(folder: Path, key: SigningKey) -> str:
    path = folder / f"{key.public.name}.public.json"
    path.write_text(json.dumps(key.public.to_data()))
    return str(path)


def test_a_list_is_made_and_extended_and_binds(
    sealed: Path, tmp_path: Path, key: SigningKey, capsys: pytest.CaptureFixture[str]
) -> None:
    record = Path(shutil.copy(sealed, tmp_path / "x.bench"))
    countersign(record, REVIEWER)
    trust = tmp_path / "trust.toml"
    operator = ["keys", "trust", public(tmp_path, key), "--list", str(trust), "--person", 'O. "Ö" Tester']
    assert main([*operator, "--role", "operator", "--from", "2026-01-01"]) == 0
    assert key.public.thumbprint in capsys.readouterr().out
    assert main(["verify", str(record), "--trust", str(trust)]) == 1
    assert "signatures/0002.jws: is by a key that is not on the trust list" in capsys.readouterr().err
    trust.write_text(trust.read_text() + "# a remark that stays\n")
    more = [
        "keys",
        "trust",
        public(tmp_path, REVIEWER),
        "--list",
        str(trust),
        "--role",
        "witness",
        "--role",
        "reviewer",
    ]
    assert main(more) == 0
    assert "# a remark that stays" in trust.read_text()
    assert [(k.person, k.roles) for k in read_trust(trust).keys] == [
        ('O. "Ö" Tester', ("operator",)),
        ("highmoor-reviewer", ("witness", "reviewer")),
    ]
    assert main(["verify", str(record), "--trust", str(trust)]) == 0
    assert 'by O. "Ö" Tester, on the trust list as operator' in capsys.readouterr().out


@pytest.mark.parametrize(
    ("given", "says"),
    [
        (["--from", "soon"], "no moment in time"),
        (["--until", "2026-01-01T10:00:00"], "no moment in time"),
        (["--from", "2026-03-01", "--until", "2025-03-01"], "the key would never count"),
        (["--from", "2026-03-01", "--until", "2026-03-01"], "not later than 'from'"),
        (["--person", "x" * 200], "at most 120 characters"),
    ],
)
def test_what_is_refused_leaves_the_list_as_it_was(
    given: list[str], says: str, tmp_path: Path, key: SigningKey, capsys: pytest.CaptureFixture[str]
) -> None:
    trust = tmp_path / "trust.toml"
    assert main(["keys", "trust", public(tmp_path, REVIEWER), "--list", str(trust)]) == 0
    before = trust.read_text()
    capsys.readouterr()
    assert main(["keys", "trust", public(tmp_path, key), "--list", str(trust), *given]) == 2
    said = capsys.readouterr().err
    assert says in said
    assert "trust.toml" in said
    assert trust.read_text() == before
    assert main(["keys", "trust", public(tmp_path, REVIEWER), "--list", str(trust)]) == 2
    assert "already" in capsys.readouterr().err
    assert main(["keys", "trust", public(tmp_path, key), "--person", "A. Trainer"]) == 2
    assert "--list" in capsys.readouterr().err
    assert sorted(p.name for p in tmp_path.glob("trust*")) == ["trust.toml"]


def test_a_list_whose_name_would_not_be_read_as_one_is_not_begun(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["keys", "trust", public(tmp_path, REVIEWER), "--list", str(tmp_path / "trust.txt")]) == 2
    assert "give one that ends in .toml" in capsys.readouterr().err
    assert not (tmp_path / "trust.txt").exists()


def test_the_list_of_keys_names_them_as_verify_does(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The guide tells an auditor to compare the thumbprint with what this prints."""
    assert main(["keys", "trust", public(tmp_path, REVIEWER)]) == 0
    capsys.readouterr()
    assert main(["keys", "list"]) == 0
    assert REVIEWER.public.thumbprint in capsys.readouterr().out


def test_the_guides_files_are_read(tmp_path: Path) -> None:
    text = (data.folder("resources") / "guide" / "signatures.md").read_text("utf-8")
    lists, limits = re.findall(r"^```toml\n(.*?)^```$", text, re.MULTILINE | re.DOTALL)
    (tmp_path / "trust.toml").write_text(lists, encoding="utf-8")
    found = read_trust(tmp_path / "trust.toml")
    assert [k.person for k in found.keys] == ["A. Trainer", "B. Tester"]
    assert found.keys[1].revoked is not None
    (tmp_path / "limits.toml").write_text(limits, encoding="utf-8")
    wanted = reading.fit(reading.load(tmp_path / "limits.toml"), LimitsFile)
    assert set(wanted.checks) == {"drop/battery-peak", "rest/rest-bus-voltage"}
    commands = set(re.findall(r"^    benchrunner (\w+)", text, re.MULTILINE))
    assert commands == {"keys", "run", "countersign", "verify", "timestamp"}


def test_a_name_without_a_key_is_said_plainly(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "pass").write_text("a long enough pass phrase\n")
    made = ["keys", "make", "somebody", "--passphrase-file", str(tmp_path / "pass")]
    assert main(made) == 0
    (tmp_path / "x.bench").write_bytes(b"")
    assert (
        main(
            [
                "countersign",
                str(tmp_path / "x.bench"),
                "--key",
                "nobody",
                "--passphrase-file",
                str(tmp_path / "pass"),
            ]
        )
        == 2
    )
    said = capsys.readouterr().err
    assert "there is no such file" in said and "there are: somebody" in said
