"""pymodbus against a Modbus TCP server written from the specification."""

import math
import struct

import pytest
from conftest import bench_of, instrument_text
from servers import RegisterServer

from benchrunner.bench.instrument import Instrument
from benchrunner.bench.links import base
from benchrunner.bench.sunspec import base_of, chain, read_model
from benchrunner.bench.wire import connect
from benchrunner.errors import LinkError


@pytest.fixture(autouse=True)
def _quick(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(base, "REOPEN_AFTER", 0.0)


def words(text: str, count: int) -> list[int]:
    raw = text.encode().ljust(2 * count, b"\0")
    return list(struct.unpack(f">{count}H", raw))


def sunspec(**points: int) -> dict[int, int]:
    """Models 1, 701 and 714 with the offsets of the published model definitions (sunspec/models, json)."""
    common = [
        1,
        66,
        *words("Highmoor", 16),
        *words("Tarn-6", 16),
        *words("", 8),
        *words("2.1", 8),
        *words("S42", 16),
        1,
        0,
    ]
    ac = [701, 153] + [0xFFFF] * 153
    ac[4], ac[10], ac[16] = 4, struct.unpack(">H", struct.pack(">h", -2503))[0], 2304
    ac[17], ac[18] = 0, 51640
    ac[114], ac[115], ac[116] = 0xFFFF, 0xFFFD, 0  # V_SF -1, Hz_SF -3, W_SF 0
    dc = [714, 43] + [0xFFFF] * 43
    dc[31], dc[16] = 5591, 0xFFFE  # Prt[0].DCV, DCV_SF -2
    for name, value in points.items():
        block, at = {"a": ac, "d": dc}[name[0]], int(name[1:])
        block[at] = value
    registers = [0x5375, 0x6E53, *common, *ac, *dc, 0xFFFF, 0]
    return {40000 + k: value for k, value in enumerate(registers)}


def inverter(port: int, unit: int = 1) -> Instrument:
    text = instrument_text(
        "pv", "pv_inverter", "inverter", "inverter-sunspec", f"modbus://127.0.0.1:{port}/{unit}"
    )
    return connect(bench_of(text))["pv"]


def test_reads_an_inverter() -> None:
    with RegisterServer(sunspec()) as server:
        instrument = inverter(server.port)
        instrument.open()
        assert instrument.identity is not None
        assert instrument.identity.text == "Highmoor,Tarn-6,S42,2.1"
        state, power, voltage, frequency, dc = instrument.poll()
        assert state == 4
        assert power == -2503.0
        assert voltage == pytest.approx(230.4)
        assert frequency == pytest.approx(51.640)
        assert dc == pytest.approx(55.91)
        instrument.close()


def test_not_implemented_is_no_number() -> None:
    """int16 0x8000, uint16 0xFFFF and a scale factor of 0x8000 mean "not implemented" (SunSpec)."""
    with RegisterServer(sunspec(a10=0x8000, a114=0x8000, d31=0xFFFF)) as server:
        instrument = inverter(server.port)
        instrument.open()
        state, power, voltage, frequency, dc = instrument.poll()
        assert math.isnan(power) and math.isnan(voltage) and math.isnan(dc)
        assert state == 4 and frequency == pytest.approx(51.640)
        instrument.close()


@pytest.mark.parametrize("fault", ["silent", "slow", "short"])
def test_faults_are_link_errors(fault: str) -> None:
    with RegisterServer(sunspec()) as server:
        instrument = inverter(server.port)
        instrument.open()
        server.fault = fault
        with pytest.raises(LinkError):
            instrument.poll()
        server.fault = ""
        assert instrument.poll()[1] == -2503.0
        instrument.close()


def test_refused_wrong_unit_and_no_map() -> None:
    with RegisterServer(sunspec()) as server:
        with pytest.raises(LinkError, match="exception"):
            inverter(server.port, unit=9).open()
        port = server.port
    with pytest.raises(LinkError):
        inverter(port).open()
    with (
        RegisterServer({40000 + k: 7 for k in range(400)}) as server,
        pytest.raises(LinkError, match="no SunSpec map"),
    ):
        inverter(server.port).open()


def test_endless_chain_of_models_ends() -> None:
    registers = {40000 + k: 0 for k in range(2000)}
    registers[40000], registers[40001] = 0x5375, 0x6E53
    with RegisterServer(registers) as server, pytest.raises(LinkError, match="without an end"):
        inverter(server.port).open()


def test_missing_model_is_named() -> None:
    registers = [0x5375, 0x6E53, 1, 66, *([0] * 66), 0xFFFF, 0]
    with (
        RegisterServer({40000 + k: v for k, v in enumerate(registers)}) as server,
        pytest.raises(LinkError, match="701"),
    ):
        inverter(server.port).open()


@pytest.mark.parametrize("base", [40000, 50000, 0])
def test_the_map_is_found_at_each_of_its_places(base: int) -> None:
    """SunSpec maps begin at register 40000, 50000 or 0; a device answers with an exception where it has none."""
    moved = {place - 40000 + base: value for place, value in sunspec().items()}
    with RegisterServer(moved) as server:
        instrument = inverter(server.port)
        instrument.open()
        assert instrument.poll()[1] == -2503.0
        assert server.connections == 1, "an exception is a whole answer: the link stays"
        instrument.close()


def test_a_whole_model_is_read_and_decoded() -> None:
    with RegisterServer(sunspec()) as server:
        instrument = inverter(server.port)
        instrument.open()
        found = chain(instrument.link, base_of(instrument.link))
        assert [(one.model, one.length) for one in found] == [(1, 66), (701, 153), (714, 43)]
        values = read_model(instrument.link, found[1])  # longer than one read may be
        assert values["W"] == -2503.0 and values["LNV"] == pytest.approx(230.4) and values["Alrm"] is None
        assert read_model(instrument.link, found[0])["Mn"] == "Highmoor"
        instrument.close()
