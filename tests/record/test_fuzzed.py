"""Forgeries that know the format (tests/record/fuzzed.py), through the commands as an auditor gives them: each ends with the exit code that
is documented, in words, without a trace and with nothing written. Here 400 of the 2,000 of the long trial (tests/long).
"""

import io
import json
import random
from pathlib import Path

import forged
import fuzzed
import pyarrow.parquet as pq
import pytest
import record_sample

from benchrunner.cli.main import main
from benchrunner.record import container
from benchrunner.record.keys import SigningKey
from benchrunner.record.opened import Record
from benchrunner.record.seal import seal

ROUNDS = 2  # times 200: a failure names its round and number


@pytest.fixture(scope="module")
def members(tmp_path_factory: pytest.TempPathFactory) -> forged.Members:
    folder = tmp_path_factory.mktemp("whole")
    record_sample.write(folder / "run", count=12)
    return forged.members_of(seal(folder / "run", folder / "x.bench", SigningKey.from_seed("o", bytes(32))))


def made(members: forged.Members, path: Path, draw: random.Random) -> str:
    """One forgery at `path`; of which kind."""
    kind = draw.choice(["json", "json", "table", "table", "signatures"])
    if kind == "signatures":
        path.unlink(missing_ok=True)
        base = forged.members_of(forged.forge(path, members))
        path.unlink()
        container.write(path, list(fuzzed.signatures(base, draw).items()))
        return kind
    changed, header = (fuzzed.json_member if kind == "json" else fuzzed.table_member)(members, draw)
    try:
        forged.forge(path, changed, header)
    except (
        ValueError,
        TypeError,
        OverflowError,
        UnicodeEncodeError,
    ):  # what canonical JSON cannot say, said anyway
        raw = fuzzed._written(header)
        path.unlink(missing_ok=True)
        container.write(path, [(n, raw if n == "header.json" else r) for n, r in changed.items()])
    return kind


def calm(said: str, where: str) -> None:
    """No trace, nothing that moves the cursor or turns the text round, no endless line."""
    assert "Traceback" not in said, where
    assert all(c.isprintable() or c == "\n" for c in said), (where, ascii(said[-300:]))
    assert len(said) < 40_000, where


@pytest.mark.parametrize("number", range(ROUNDS))
def test_each_ends_in_words(
    number: int, members: forged.Members, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    codes = one_round(number, members, tmp_path, capsys)
    assert codes.get(0, 0) > 5 and codes.get(1, 0) > 20 and codes.get(2, 0) > 5, codes


def one_round(
    number: int, members: forged.Members, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> dict[int, int]:
    """Two hundred of them; how often `verify` ended with which exit code."""
    codes: dict[int, int] = {}
    path, trust = tmp_path / "x.bench", tmp_path / "trust.toml"
    for k in range(200):
        draw = random.Random(f"{number}/{k}")
        kind = made(members, path, draw)
        where = f"round {number}, {k}: {kind}"
        trust.write_text(fuzzed.trust_list(draw), "utf-8")
        more = draw.choice([["--trust", str(trust)], ["--rejudge"], ["--trust", str(trust), "--rejudge"], []])
        code = main(["verify", str(path), "--json", *more])
        said = capsys.readouterr()
        calm(said.out + said.err, where)
        assert code in (0, 1, 2), where
        assert (code == 2) == said.err.startswith("refused: ") or "wrong: " in said.err, where
        if code == 2:
            assert "mend: " in said.err and "trust" in said.err, where
        else:
            found = json.loads(said.out.splitlines()[-1])
            assert found["exit"] == code and found["verifies"] == (code == 0), where
            assert code == 0 or found["findings"] or not found["rejudged"]["ok"], where
        codes[code] = codes.get(code, 0) + 1
        out = tmp_path / "out.csv"
        code = main(["export", str(path), "--to", "csv", "--out", str(out)])
        said = capsys.readouterr()
        calm(said.out + said.err, where)
        assert code in (0, 2) and out.exists() == (code == 0), where
        assert code == 0 or "mend: " in said.err, where
        out.unlink(missing_ok=True)
        assert sorted(p.name for p in tmp_path.iterdir() if p.is_file()) == ["trust.toml", "x.bench"], where
    return codes


# ---- what it found, each by itself


def said_of(path: Path, capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str]:
    code = main([words[0], str(path), *words[1:]])
    said = capsys.readouterr()
    calm(said.out + said.err, words[0])
    return code, said.out + said.err


@pytest.mark.parametrize("kind", ["procedure", "pairing", "bench"])
def test_a_header_without_a_title(
    kind: str, members: forged.Members, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    header = json.loads(members["header.json"])
    for title in (None, 7, ["x"]):
        path = forged.forge(tmp_path / "x.bench", members, {**header, kind: {**header[kind], "title": title}})
        code, said = said_of(path, capsys, "verify")
        assert code == 1 and f"gives no title of the {kind}" in said
        code, said = said_of(path, capsys, "export", "--to", "csv")
        assert code == 2 and f"gives no title of the {kind}" in said
    path = forged.forge(tmp_path / "x.bench", members, {**header, "duration": {"float": "9"}})
    assert said_of(path, capsys, "verify")[0] == said_of(path, capsys, "export", "--to", "csv")[0] == 0


@pytest.mark.parametrize("version", [True, 2.0 + 1e-9, "2", [2], None, 0])
def test_a_version_that_is_no_whole_number(
    version: object, members: forged.Members, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    header = {**json.loads(members["header.json"]), "version": version}
    path = forged.forge(tmp_path / "x.bench", members, header)
    assert said_of(path, capsys, "verify")[0] == 1
    assert said_of(path, capsys, "export", "--to", "csv")[0] == 2


def test_a_damaged_capture_leaves_no_export_behind(
    members: forged.Members, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    raw = members["inputs.jsonl"].replace(b'"not_carried":["phase_jump"]', b'"not_carried":7')
    odd = members["inputs.jsonl"].replace(b'"kind":"captured"', b'"kind":["captured"]')
    for changed in (raw, odd):
        assert changed != members["inputs.jsonl"]
        path = forged.forge(tmp_path / "x.bench", {**members, "inputs.jsonl": changed})
        code, said = said_of(path, capsys, "export", "--to", "csv")
        assert code == (2 if changed is raw else code) and (code == 0 or "mend: " in said)
        assert (tmp_path / "x.csv").exists() == (code == 0)


def test_a_table_without_rows_is_a_channel_without_readings(
    members: forged.Members, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    table = pq.read_table(io.BytesIO(members["readings/bus.parquet"])).slice(0, 0)
    sink = io.BytesIO()
    pq.write_table(table, sink)
    path = forged.forge(tmp_path / "x.bench", {**members, "readings/bus.parquet": sink.getvalue()})
    times, values = Record.open(path).channel("bus.voltage")
    assert len(times) == len(values) == 0
    with pytest.raises(KeyError, match="no such channel"):
        Record.open(path).channel("bus.volts")
    assert said_of(path, capsys, "export", "--to", "csv")[0] == 0


@pytest.mark.parametrize(
    "line",
    ['person = "\u202egnp"', 'person = "x"\nreason = "a\u2066b"', 'person = "x"\nroles = ["a\u200fb"]'],
)
def test_a_trust_list_that_turns_the_text_round(
    line: str, members: forged.Members, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = forged.forge(tmp_path / "x.bench", members)
    (tmp_path / "trust.toml").write_text(
        f'format = 1\n[[keys]]\nkey = "{forged.FORGER.public.thumbprint}"\n{line}\n', "utf-8"
    )
    code, said = said_of(path, capsys, "verify", "--trust", str(tmp_path / "trust.toml"))
    assert code == 2 and "signs that are not shown" in said
