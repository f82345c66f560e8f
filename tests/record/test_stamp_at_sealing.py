"""A time stamp asked for when a record is sealed: by option, by the laboratory's card, and where the server is silent."""

import json
import socket
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
import record_sample
from time_server import TimeServer

import benchrunner
from benchrunner.cli.main import main
from benchrunner.errors import Problem, Refused
from benchrunner.record import stamp
from benchrunner.record.keys import Store
from benchrunner.record.sealing import VARIABLE, time_stamp_server
from benchrunner.record.verify import verify

WORDS = "a long enough pass phrase"


@pytest.fixture(scope="module")
def clock(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TimeServer]:
    server = TimeServer(tmp_path_factory.mktemp("tsa"))
    yield server
    server.close()


@pytest.fixture
def signing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """A signed run's words but for the time stamp."""
    monkeypatch.delenv(VARIABLE, raising=False)
    Store().make("operator", WORDS)
    (tmp_path / "words").write_text(WORDS)
    return ["run", "load-rejection", "--out", str(tmp_path / "runs"), "--quiet", "--json",
            "--key", "operator", "--passphrase-file", str(tmp_path / "words")]  # fmt: skip


def ran(words: list[str], capsys: pytest.CaptureFixture[str], code: int = 0) -> tuple[dict[str, object], str]:
    assert main(words) == code
    out = capsys.readouterr().out
    return json.loads(out.splitlines()[-1]), out


def test_the_record_is_stamped_when_it_is_sealed(
    clock: TimeServer, signing: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    said, _ = ran([*signing, "--timestamp", clock.url], capsys)
    assert said["stamped"] is True
    path = Path(str(said["record"]))
    state = verify(path)
    assert not state.findings
    assert list(state.stamps) == ["signatures/0001.jws"]
    # the laboratory's card instead, which the report reads as well
    card = tmp_path / "laboratory.toml"
    card.write_text(f'format = 1\n[laboratory]\nname = "Highmoor"\n[sealing]\ntime_stamps = "{clock.url}"\n')
    said, _ = ran([*signing, "--laboratory", str(card)], capsys)
    assert list(verify(Path(str(said["record"]))).stamps) == ["signatures/0001.jws"]
    assert main(["report", str(path), "--out", str(tmp_path / "r.html"), "--laboratory", str(card)]) == 0


def test_a_silent_server_keeps_no_record_from_being_sealed(
    clock: TimeServer, signing: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    with socket.socket() as nobody:
        nobody.bind(("127.0.0.1", 0))  # bound and not listening: refused
        said, out = ran([*signing, "--timestamp", f"http://127.0.0.1:{nobody.getsockname()[1]}/"], capsys)
    path = str(said["record"])
    assert (said["stamped"], said["signed"]) == (False, True)
    assert "THE TIME STAMP IS MISSING" in out
    assert f"benchrunner timestamp {path} --server http://127.0.0.1:" in out
    state = verify(Path(path))
    assert not state.findings
    assert not state.stamps
    assert main(["timestamp", path, "--server", clock.url]) == 0  # as was said
    assert list(verify(Path(path)).stamps) == ["signatures/0001.jws"]


def test_what_is_no_server_is_refused_before_the_run(
    signing: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main([*signing, "--timestamp", "ftp://clock"]) == 2
    assert "no web address" in capsys.readouterr().err
    unsigned = signing[: signing.index("--key")]
    assert main([*unsigned, "--timestamp", "http://127.0.0.1:9/"]) == 2
    assert "signs nothing" in capsys.readouterr().err
    assert main([*signing, "--laboratory", str(tmp_path / "none.toml")]) == 2
    assert not (tmp_path / "runs").exists()


def test_without_being_asked_nothing_is_asked(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.delenv(VARIABLE, raising=False)
    assert time_stamp_server() == ""
    card = tmp_path / "card.toml"
    card.write_text('format = 1\n[laboratory]\nname = "Highmoor"\n')
    monkeypatch.setenv(VARIABLE, str(card))
    assert time_stamp_server() == ""
    card.write_text('format = 1\n[sealing]\ntime_stamps = "http://clock.highmoor.example/"\n')
    assert time_stamp_server() == "http://clock.highmoor.example/"
    assert time_stamp_server("https://other.example/") == "https://other.example/"
    card.write_text('format = 1\n[sealing]\ntime_stamps = "clock"\n')
    with pytest.raises(Refused, match="no web address"):
        time_stamp_server()


def test_a_server_that_never_ends_its_answer_is_left(monkeypatch: pytest.MonkeyPatch) -> None:
    """One byte now and then resets a socket's time-out; the whole answer has one bound."""
    monkeypatch.setattr(stamp, "WAIT", 1.0)
    done = threading.Event()
    with socket.create_server(("127.0.0.1", 0)) as listening:

        def drip() -> None:
            line, _ = listening.accept()
            with line:
                line.sendall(b"HTTP/1.1 200 OK\r\nContent-Length: 60000\r\n\r\n")
                while not done.wait(0.1):
                    line.sendall(b"x")

        thread = threading.Thread(target=drip)
        thread.start()
        try:
            with pytest.raises(Refused, match="not within 1 s"):
                stamp.ask(f"http://127.0.0.1:{listening.getsockname()[1]}/", b"a signature")
        finally:
            done.set()
            thread.join()


def test_the_python_surface_warns_where_the_stamp_is_missing(
    clock: TimeServer, signing: list[str], tmp_path: Path
) -> None:
    def run(url: str) -> "benchrunner.Record":
        return benchrunner.run(
            "load-rejection", out=tmp_path / "runs", key="operator", passphrase=WORDS, timestamp=url
        )

    assert list(run(clock.url).verify().stamps) == ["signatures/0001.jws"]
    with pytest.warns(UserWarning, match="THE TIME STAMP IS MISSING"):
        assert not run("http://127.0.0.1:9/").verify().stamps


def test_a_recovered_record_can_be_stamped_too(clock: TimeServer, tmp_path: Path) -> None:
    from benchrunner.record.keys import SigningKey
    from benchrunner.record.recover import recover

    key = SigningKey.from_seed("operator", bytes(range(32)))
    record_sample.write(tmp_path / "run")
    made = recover(tmp_path / "run", tmp_path / "one.bench", key, clock.url)
    assert list(verify(made.record).stamps) == ["signatures/0001.jws"]
    made = recover(tmp_path / "run", tmp_path / "two.bench", key, "http://127.0.0.1:9/")
    assert any("THE TIME STAMP IS MISSING" in line for line in made.says)
    assert not verify(made.record).findings


def test_a_problem_is_three_parts() -> None:
    with pytest.raises(Refused) as caught:
        time_stamp_server(" ")
    assert all(isinstance(p, Problem) and p.mend for p in caught.value.problems)
