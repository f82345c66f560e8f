"""A run on a real bench waits until its instruments are warm, or keeps that a named person passed it."""

# ruff: noqa: F811 (a fixture of the neighbouring file)

import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from test_real_bench import PEOPLE, SHORT, prove_all, real_card, served  # noqa: F401

from benchrunner import data
from benchrunner.bench.hosts import build_host
from benchrunner.engine.prepare import prepare
from benchrunner.engine.request import RunRequest
from benchrunner.engine.warming import seen, warm_up
from benchrunner.errors import Refused
from benchrunner.record.opened import Record

NEEDS = 2.5  # s


class Said:
    """An event stream that keeps what is said."""

    def __init__(self) -> None:
        self.texts: list[str] = []

    def send(self, at: float, kind: str, event: dict[str, Any]) -> None:
        self.texts.append(event["text"])


class Operator:
    """Stops at the n-th look, if at all."""

    def __init__(self, stops_at: int = 0) -> None:
        self.looks, self.stops_at = 0, stops_at

    def take(self) -> list[dict[str, str]]:
        self.looks += 1
        return [{"wish": "stop"}] if self.looks == self.stops_at else []


def warm_card(folder: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The real bench, whose meters at the battery warm up."""
    monkeypatch.setenv("BENCHRUNNER_PATH", str(folder))
    monkeypatch.setenv("XDG_STATE_HOME", str(folder / "state"))
    (folder / "drivers").mkdir()
    driver = data.find("dc-meter-scpi", "drivers").read_text(encoding="utf-8")
    (folder / "drivers/warm-meter.toml").write_text(
        driver.replace('class = "dc_meter"', f'class = "dc_meter"\nwarm_up = "{NEEDS} s"'), encoding="utf-8"
    )
    card = real_card(folder)
    text = card.read_text(encoding="utf-8")
    assert '"dc-meter-scpi"' in text
    card.write_text(text.replace('"dc-meter-scpi"', '"warm-meter"'), encoding="utf-8")
    (folder / "short.toml").write_text(SHORT, encoding="utf-8")
    return card


def test_it_is_waited_for_once(
    served: Callable[..., int],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    base = served()
    card = warm_card(tmp_path, monkeypatch)
    prove_all(card, base)
    request = RunRequest(str(tmp_path / "short.toml"), bench=str(card), port_base=base, **PEOPLE)  # type: ignore[arg-type]
    prepared = prepare(request)
    host = build_host(prepared.bench, None, port_base=base)
    host.open()
    try:
        said, nobody = Said(), Operator()
        with pytest.raises(Refused) as stopped:
            warm_up(prepared, host, said, Operator(3))
        assert "the operator stopped it" in str(stopped.value)
        began = time.monotonic()
        assert warm_up(prepared, host, said, nobody) is prepared
        assert 1.0 < time.monotonic() - began < NEEDS + 5.0
        assert "nothing is switched on meanwhile" in said.texts[-1] and "battery_meter" in said.texts[-1]
        assert nobody.looks > 5, "the operator is heard while it waits"
        seen(prepared, host.identify())
        count = len(said.texts)
        assert warm_up(prepared, host, said, nobody) is prepared
        assert len(said.texts) == count, "it is warm, and not waited for again"
    finally:
        host.close()


@pytest.mark.slow
def test_passed_by_name_it_stands_in_the_record(
    served: Callable[..., int],
    start: Callable[..., Any],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    base = served()
    card = warm_card(tmp_path, monkeypatch)
    prove_all(card, base)
    ended = start(
        str(tmp_path / "short.toml"), bench=str(card), port_base=base, override=["warm-up"],
        override_by="C. Beck", override_why="on since the morning", **PEOPLE,
    ).end()  # fmt: skip
    assert ended["exit"] == 0, ended
    header = Record.open(ended["record"]).header
    (gate,) = header["overridden"]
    assert (gate["gate"], gate["by"], gate["why"]) == ("warm-up", "C. Beck", "on since the morning")
    assert any("warming up was not waited for: battery_meter" in text for text in header["deviations"])
