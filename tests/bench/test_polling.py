"""Polling side by side over the wire: a slow instrument beside fast ones, missed periods counted, skew stated."""

import time

import pytest
from conftest import ROOT, bench_of, instrument_text
from free_ports import free_base

from benchrunner.bench.live import LiveHost
from benchrunner.bench.wire import connect
from benchrunner.cards.bench import Bench
from benchrunner.cards.pairing import read_pairing
from benchrunner.core.messages import Readings, SetOrder
from benchrunner.sim.served import Server

PORTS = free_base()


def bench() -> Bench:
    text = f"[served]\nport_base = {PORTS}\n"
    for n, (name, role, klass, driver, more) in enumerate((
        ("fast", "bus", "ac_meter", "ac-meter-scpi", 'update = "20 ms"\nwindow = "20 ms"\nchannels = { power = "battery_inverter.power", current = "battery_inverter.current" }'),
        ("sluggish", "grid", "ac_meter", "ac-meter-scpi", 'update = "100 ms"\nwindow = "400 ms"'),
        ("slow", "battery", "dc_meter", "dc-meter-scpi", 'simulated = { latency = "250 ms" }'),
        ("load", "load", "ac_load", "ac-load-scpi", 'update = "20 ms"\nwindow = "20 ms"'),
    ), 1):  # fmt: skip
        address = f"TCPIP0::127.0.0.1::{{port+{n}}}::SOCKET"
        text += instrument_text(name, role, klass, driver, address, more).replace(
            '"100 ms"\ntimeout', '"50 ms"\ntimeout'
        )
    return bench_of(text.replace('timeout = "300 ms"', 'timeout = "1 s"'), simulated=True)


@pytest.fixture(scope="module")
def polled() -> tuple[dict[str, list[Readings]], dict[str, list[dict[str, float]]], float]:
    """Some seconds of polling with a lone step of the load in the middle: readings, the host's account, seconds."""
    card = bench()
    pairing = read_pairing(ROOT / "resources/pairings/tarn6-corrie5.toml")
    with Server(card, pairing):
        host = LiveHost(connect(card, PORTS))
        host.open()
        names = list(card.card.instruments)
        found: dict[str, list[Readings]] = {name: [] for name in names}
        ordered = False
        began = time.monotonic()
        host.submit(SetOrder(1, "load.on", 1.0))
        host._skew._due.clear()  # the load is switched on at no power: no step
        while host.now < 8.5:
            item = host.next(host.now + 0.1)
            if isinstance(item, Readings):
                found[names[item.source]].append(item)
            if not ordered and host.now > 4.0:
                host.submit(SetOrder(2, "load.power", 2000.0))
                ordered = True
        seconds = time.monotonic() - began
        account = host.account()
        told = host.missed_polls()
        assert told == {
            row["instrument"]: row["missed"] + row["failed"]
            for row in account["polling"]
            if row["missed"] + row["failed"]
        }
        host.close()
    return found, account, seconds


def test_one_slow_instrument_delays_no_other(polled) -> None:  # type: ignore[no-untyped-def]
    """Fast ones at 50 ms beside one that takes 250 ms to answer: most of their periods are kept."""
    found, _, seconds = polled
    due = seconds / 0.05
    assert len(found["fast"]) > 0.6 * due and len(found["sluggish"]) > 0.6 * due
    assert 0.5 * seconds / 0.3 < len(found["slow"]) < 1.1 * seconds / 0.25


def test_missed_periods_are_counted(polled) -> None:  # type: ignore[no-untyped-def]
    found, account, seconds = polled
    rows = {row["instrument"]: row for row in account["polling"]}
    assert set(rows) == set(found)
    for name, row in rows.items():
        assert abs(row["polls"] - len(found[name])) <= 2
        # every period was either asked in or counted as missed
        assert row["polls"] + row["missed"] == pytest.approx(seconds / 0.05, abs=12), name
    assert rows["slow"]["missed"] > 0.6 * seconds / 0.05
    assert rows["fast"]["missed"] < rows["slow"]["missed"]


def test_times_carry_the_exchange_in_their_uncertainty(polled) -> None:  # type: ignore[no-untyped-def]
    found, _, _ = polled
    assert min(item.spread for item in found["slow"]) >= 0.125  # half of 250 ms
    assert min(item.spread for item in found["fast"]) < 0.06


def test_skew_is_stated(polled) -> None:  # type: ignore[no-untyped-def]
    """A meter that averages over 400 ms and shows it for 100 ms lies some 250 ms behind one of 20 ms."""
    _, account, _ = polled
    rows = {(row["instrument"], row["against"]): row for row in account["skew"]}
    assert rows, "the step of the load showed in no two meters"
    lag = {one: row["skew"] for (one, _), row in rows.items()}
    if "sluggish" in lag:
        assert 0.1 < lag["sluggish"] < 0.5
    else:  # it was the one compared with
        assert all(-0.5 < skew < -0.1 for name, skew in lag.items() if name in ("fast", "load"))
    assert all(row["steps"] == 1 and row["standard_uncertainty"] > 0 for row in rows.values())
