"""The commands as a person types them, in a process of their own."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from benchrunner.cli.main import COMMANDS, build_parser, main

ROOT = Path(__file__).resolve().parents[2]


def benchrunner(
    *arguments: object, cwd: Path = ROOT, timeout: float = 120
) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "benchrunner", *map(str, arguments)],
        cwd=cwd,
        capture_output=True,
        text=True,
        timeout=timeout,
        stdin=subprocess.DEVNULL,
    )


def test_help_names_every_command_the_exit_codes_and_the_caution() -> None:
    text = build_parser().format_help()
    for name in COMMANDS:
        assert any(line.split()[:1] == [name] for line in text.splitlines())
    assert "5 the safe state could not be confirmed" in text
    assert "no emergency stop" in text


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_has_help(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        main([name, "--help"])
    assert ended.value.code == 0
    assert "usage: benchrunner" in capsys.readouterr().out


def test_help_loads_no_heavy_library() -> None:
    code = "import sys; from benchrunner.cli.main import build_parser; build_parser().format_help(); print([m for m in sys.modules if m.split('.')[0] in ('numpy','pandas','pyarrow','pint','numba','scipy','PySide6','pyvisa','pydantic')])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT, check=True)
    assert done.stdout.strip() == "[]"


@pytest.mark.parametrize(
    ("arguments", "where", "mend"),
    [
        (["run", "lode-rejection"], "lode-rejection", "load-rejection"),
        (["run", "load-rejection", "--pairing", "nobody"], "nobody", "tarn6-corrie5"),
        (["run", "load-rejection", "--bench", "nowhere"], "nowhere", "simulated"),
        (["run", "load-rejection", "--set", "load_befor=2 kW"], "load_befor", "load_before"),
        (["run", "load-rejection", "--set", "load_before=2 V"], "load_before", ""),
        (["run", "load-rejection", "--set", "load_before=99 kW"], "load_before", "6.000 kW"),
        (["run", "load-rejection", "--set", "load_before"], "load_before", "NAME=VALUE"),
        (["run", "load-rejection", "--speed", "fast"], "--speed", "max"),
        (
            ["run", "load-rejection", "--pairing", "dune9-spit7", "--set", "load_before=9 kW"],
            "load.power = 9000 W is out of range",
            "0 to 7000 W",
        ),
        (["run", "load-rejection", "--key", "nobody"], "nobody", "keys make"),
        (["verify", "no-such-file.bench"], "no-such-file.bench", ""),
        (["recover", "no-such-folder"], "no-such-folder", ""),
        (["report", "no-such-file.bench"], "no-such-file.bench", ""),
        (["check", "no-such-file.toml"], "no-such-file.toml", "path"),
        (["serve", "nowhere"], "nowhere", "loopback"),
        (["serve", "loopback", "--speed", "0"], "--speed", "factor"),
        (["keys", "export", "nobody"], "nobody", "keys make"),
        (["check", "procedures/grid-loss.toml", "--order"], "--order", "--pairing"),
        (["run"], "benchrunner run", "--help"),
        (["run", "resources/pairings/tarn6-corrie5.toml"], "is a pairing card, not a procedure", "PROCEDURE"),
        (
            ["run", "load-rejection", "--pairing", "drivers/ac-load-scpi.toml"],
            "is a driver card",
            "--pairing",
        ),
        (["run", "load-rejection", "--bench", "procedures/grid-loss.toml"], "is a procedure", "--bench"),
        (["serve", "procedures/grid-loss.toml"], "is a procedure, not a bench card", "--bench"),
        (["run", "load-rejection", "--operator", "M\udcff"], "--operator", "printed"),
        (["run", "load-rejection", "--operator", "a" * 5000], "--operator", "at most 200"),
        (["run", "load-rejection", "--set", "load_before=2\udcff kW"], "load_before", "printed"),
        (["frob"], "frob", "--help"),
        (["run", "procedures"], "is a folder", "load-rejection"),
        (["run", ""], "''", "load-rejection"),
        (["run", "load-rejection", "--seed", "-1"], "--seed -1", "whole number"),
        (["run", "load-rejection", "--seed", "9" * 30], "--seed", "whole number"),
        (["run", "load-rejection", "--out", ""], "--out", "folder"),
        (["run", "load-rejection", "--port-base", "70000"], "--port-base", "65"),
        (["run", "load-rejection", "--answers", "@answers.toml"], "nobody-asks", "--answers"),
        (["run", "load-rejection", "--key", "me", "--passphrase-file", "@empty"], "empty:1", "first line"),
        (["run", "load-rejection", "--key", "me", "--passphrase-file", "@noise"], "noise", "first line"),
        (["run", "load-rejection", "--out", "@empty"], "empty", "folder"),
        (["report", ""], "''", ".bench"),
        (["report", "procedures"], "is a folder", ".bench"),
        (["verify", "procedures"], "is a folder", ".bench"),
        (["schema", "--out", "@empty"], "empty", "--out"),
        (["serve", "loopback", "--port-base", "-5"], "--port-base -5", "give"),
        (["serve", "loopback", "--port-base", "70000"], "--port-base 70000", "give"),
        (["serve", "loopback", "--seed", "-1"], "--seed -1", "whole number"),
        (["serve", "loopback", "--start", "battery.soc"], "--start battery.soc", "94 %"),
    ],
)
def test_bad_input_is_refused_with_where_what_and_mend(
    arguments: list[str], where: str, mend: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    (tmp_path / "answers.toml").write_text('nobody-asks = "yes"')
    (tmp_path / "empty").write_text("")
    (tmp_path / "noise").write_bytes(bytes(range(128, 256)))
    words = [word.replace("@", f"{tmp_path}/") for word in arguments]
    done = benchrunner(
        *words,
        *(
            ["--out", tmp_path / "runs"]
            if words[0] == "run" and "--out" not in words and len(words) > 1
            else []
        ),
    )
    said = done.stdout + done.stderr
    assert done.returncode == 2, said
    assert "Traceback" not in said
    assert where in said
    assert mend in said
    assert not list(tmp_path.glob("runs/*"))


def test_a_report_never_takes_the_place_of_its_record(tmp_path: Path) -> None:
    done = benchrunner("run", "load-rejection", "--out", tmp_path, "--json", "--quiet")
    record = Path(json.loads(done.stdout.splitlines()[-1])["record"])
    before = record.read_bytes()
    refused = benchrunner("report", record, "--out", record)
    assert refused.returncode == 2
    assert "the record itself" in refused.stderr
    assert record.read_bytes() == before
    again = benchrunner("verify", record, "--rejudge")
    assert again.returncode == 1  # unsigned, which is no reason not to judge again
    assert "judged again identically" in again.stdout
    assert "--allow-unsigned" in again.stderr


def test_a_terminal_without_a_sign_ends_no_run() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "benchrunner", "--help"],
        cwd=ROOT, capture_output=True, env={**os.environ, "PYTHONIOENCODING": "ascii"}, check=False,
    )  # fmt: skip
    assert done.returncode == 0
    assert b"exit codes" in done.stdout


def test_check_reads_every_shipped_file() -> None:
    files = [
        *ROOT.glob("procedures/*.toml"),
        *ROOT.glob("drivers/*.toml"),
        *ROOT.glob("resources/pairings/*.toml"),
        *ROOT.glob("resources/benches/*.toml"),
    ]
    assert len(files) >= 7 + 5 + 2 + 8
    done = benchrunner("check", *files)
    assert done.returncode == 0, done.stderr
    assert done.stdout.count("in order") == len(files)


def test_check_shows_the_running_order_with_its_limits_in_numbers() -> None:
    done = benchrunner("check", "procedures/grid-loss.toml", "--pairing", "tarn6-corrie5", "--order")
    assert done.returncode == 0
    assert "outage[3]/lose: Open the grid switch" in done.stdout
    assert "minimum of battery.voltage, at least 42 V" in done.stdout  # dc_trip_low of the card
    assert "over the repeats: check worst-gap: worst of gap, at most 20 ms" in done.stdout
    assert "pv_source.temperature to 25 \u00b0C" in done.stdout


def test_check_says_all_errors_at_once(tmp_path: Path) -> None:
    text = (ROOT / "procedures" / "load-rejection.toml").read_text(encoding="utf-8")
    bad = tmp_path / "bad.toml"
    bad.write_text(
        text.replace('title = "', 'titel = "', 1).replace('"battery.soc"', '"battery.soq"', 1),
        encoding="utf-8",
    )
    done = benchrunner("check", bad)
    assert done.returncode == 2
    assert "titel" in done.stderr
    assert "title" in done.stderr
    assert done.stderr.count("mend:") >= 2
    assert f"{bad}:" in done.stderr


def test_run_in_memory_prints_the_contract_object(tmp_path: Path) -> None:
    done = benchrunner("run", "load-rejection", "--out", tmp_path, "--json", "--speed", "max")
    assert done.returncode == 0, done.stdout[-2000:] + done.stderr
    outcome = json.loads(done.stdout.splitlines()[-1])
    assert outcome["verdict"] == "pass"
    assert outcome["finished"] is True
    assert outcome["simulated"] is True
    assert outcome["signed"] is False
    assert Path(outcome["record"]).is_file()
    assert {"id", "measure", "value", "unit", "low", "high", "uncertainty", "margin", "verdict"} <= set(
        outcome["checks"][0]
    )
    assert "SIMULATED BENCH" in done.stdout
    verified = benchrunner("verify", outcome["record"], "--rejudge", "--allow-unsigned")
    assert verified.returncode == 0, verified.stdout + verified.stderr
    assert benchrunner("verify", outcome["record"]).returncode == 1  # unsigned


def test_keys_sign_verify_and_trust(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    passphrase = tmp_path / "passphrase"
    passphrase.write_text("a long passphrase for this test\n")
    assert benchrunner("keys", "make", "mine", "--passphrase-file", passphrase).returncode == 0
    assert "mine" in benchrunner("keys", "list").stdout
    assert benchrunner("keys", "export", "mine", "--out", tmp_path / "mine.json").returncode == 0
    wrong = tmp_path / "wrong"
    wrong.write_text("another passphrase altogether\n")
    refused = benchrunner(
        "run", "load-rejection", "--out", tmp_path / "r", "--key", "mine", "--passphrase-file", wrong
    )
    assert refused.returncode == 2
    assert "passphrase is wrong" in refused.stderr
    silent = benchrunner("run", "load-rejection", "--out", tmp_path / "r", "--key", "mine")
    assert (
        silent.returncode == 2 and "nobody to ask" in silent.stderr and "--passphrase-file" in silent.stderr
    )
    done = benchrunner(
        "run",
        "load-rejection",
        "--out",
        tmp_path / "r",
        "--key",
        "mine",
        "--passphrase-file",
        passphrase,
        "--json",
        "--quiet",
    )
    record = json.loads(done.stdout.splitlines()[-1])["record"]
    assert benchrunner("verify", record).returncode == 0
    assert benchrunner("verify", record, "--trust", tmp_path / "mine.json").returncode == 0
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "elsewhere"))
    unknown = benchrunner("verify", record)
    assert unknown.returncode == 0
    assert "unknown" in unknown.stdout
