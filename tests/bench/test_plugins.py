"""Python drivers through the entry point group, from a distribution installed on a path; broken ones are named."""

import sys
from pathlib import Path

import pytest
from conftest import instrument_text
from servers import LineServer

from benchrunner.bench.instrument import Instrument
from benchrunner.bench.links import base
from benchrunner.bench.wire import connect
from benchrunner.cards import reading
from benchrunner.cards.bench import fit_bench
from benchrunner.errors import LinkError, Refused

CARD = """format = 1
title = "Load with a language of its own"
class = "dc_load"
program = "odd-load"
[link]
kind = "serial"
[identify]
[[reads]]
parse = "program"
fields = [{ quantity = "voltage", unit = "V" }, { quantity = "current", unit = "mA", sign = -1 }]
[settings.current]
unit = "mA"
decimals = 0
range = ["0 A", "20 A"]
[settings.on]
words = { on = "1", off = "0" }
"""
DRIVER = """
class OddLoad:
    def __init__(self, link):
        self.link = link
    def identity(self):
        return self.link.query(b"WHO\\n").decode()
    def read(self):
        raw = bytes.fromhex(self.link.query(b"GET\\n").decode())
        return [raw[0] / 4, raw[1] * 10]
    def send(self, setting, value):
        self.link.write(f"PUT {setting} {value:g}\\n".encode())
    def read_back(self, setting):
        return float(self.link.query(f"ASK {setting}\\n".encode()))
"""


def install(
    folder: Path, source: str, monkeypatch: pytest.MonkeyPatch, name: str = "odd_load_driver"
) -> None:
    """As an installer leaves it: a module, and its metadata with the entry point."""
    (folder / f"{name}.py").write_text(source)
    info = folder / f"{name}-1.0.dist-info"
    info.mkdir()
    (info / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {name}\nVersion: 1.0\n")
    (info / "entry_points.txt").write_text(f"[benchrunner.drivers]\nodd-load = {name}:OddLoad\n")
    monkeypatch.syspath_prepend(str(folder))
    sys.modules.pop(name, None)


def load_of(address: str) -> Instrument:
    card = reading.parse(CARD.encode(), "odd.toml")
    text = 'format = 1\ntitle = "test"\nsimulated = false\n' + instrument_text(
        "load", "dc_load", "dc_load", "odd", address
    )
    bench = fit_bench(reading.parse(text.encode(), "bench.toml"), {"odd": card})
    return connect(bench)["load"]


class Device:
    def __init__(self) -> None:
        self.state = {"current": 0.0, "on": 0.0}

    def __call__(self, line: bytes, _: int) -> bytes:
        words = line.decode().split()
        if words == ["WHO"]:
            return b"Highmoor,Load,1,2\n"
        if words == ["GET"]:
            return b"D43F\n"
        if words[0] == "PUT":
            self.state[words[1]] = float(words[2])
            return b""
        return f"{self.state[words[1]]}\n".encode()


def test_reads_and_sets(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    install(tmp_path, DRIVER, monkeypatch)
    device = Device()
    with LineServer(device) as server:
        load = load_of(f"socket://127.0.0.1:{server.port}")
        load.open()
        assert load.identity is not None and load.identity.model == "Load"
        assert load.poll() == pytest.approx((53.0, -0.63))
        load.send("current", 1.5)
        assert load.read_back("current") == pytest.approx(1.5)
        assert (
            device.state["current"] == 1500.0
        )  # the answer came after the order, so it has been carried out
        load.send("on", 1.0)
        assert load.read_back("on") == 1.0
        with pytest.raises(LinkError, match="out of range"):
            load.send("current", 21.0)
        load.close()


def test_a_missing_driver_is_refused() -> None:
    with pytest.raises(Refused, match="no Python driver 'odd-load'"):
        load_of("socket://127.0.0.1:1")


@pytest.mark.parametrize(
    ("source", "expected"),
    [
        ("import nothing_of_that_name", "cannot be loaded"),
        ("raise SystemExit(3)", "cannot be loaded"),
        ("class Other: pass", "cannot be loaded"),
        ("class OddLoad:\n    def read(self): pass", "lacks identity, send, read_back"),
    ],
)
def test_a_broken_package_is_named_and_refused(
    source: str, expected: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    install(tmp_path, source, monkeypatch, "broken_driver")
    with pytest.raises(Refused) as caught:
        load_of("socket://127.0.0.1:1")
    assert expected in str(caught.value) and "broken_driver" in str(caught.value)


def test_two_packages_with_one_name_are_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    install(tmp_path, DRIVER, monkeypatch)
    install(tmp_path, DRIVER, monkeypatch, "odd_load_driver_two")
    with pytest.raises(Refused, match="two packages"):
        load_of("socket://127.0.0.1:1")


@pytest.mark.parametrize(
    "body",
    ["return [1.0]", "return ['1', 2]", "return None", "raise RuntimeError('no')", "return [True, 2]", "1/0"],
)
def test_a_driver_that_fails_is_a_link_error(
    body: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(base, "REOPEN_AFTER", 0.0)
    source = DRIVER.replace('raw = bytes.fromhex(self.link.query(b"GET\\n").decode())', "pass").replace(
        "return [raw[0] / 4, raw[1] * 10]", body
    )
    install(tmp_path, source, monkeypatch, "failing_driver")
    with LineServer(Device()) as server:
        load = load_of(f"socket://127.0.0.1:{server.port}")
        load.open()
        with pytest.raises(LinkError, match="Python driver 'odd-load' failed"):
            load.poll()
        assert not load.link.is_open
        load.close()
