"""The register maps against published layouts and codes (tests/vectors/instrument-protocols; source with each)."""

import json
import math
import struct
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from stand_in import StandInPlant

from benchrunner.sim.emulators import make
from benchrunner.sim.emulators.options import Options, QuantityOptions
from benchrunner.sim.emulators.sunspec import (
    MODELS,
    UNIMPLEMENTED,
    RegisterMap,
    RegistersRefusedError,
    length,
    points,
)
from benchrunner.sim.emulators.sunspec_devices import BatteryMonitor, Inverter

VECTORS = Path(__file__).parents[1] / "vectors" / "instrument-protocols" / "instrument-protocols.json"
IN = {entry["id"]: entry for entry in json.loads(VECTORS.read_text())}


def inverter(role: str, plant: StandInPlant, **options: object) -> Inverter:
    device = make(plant, role, Options("inverter", role, update=0.5, window=0.0, **options), seed=3)  # type: ignore[arg-type]
    assert isinstance(device, Inverter)
    return device


def monitor(plant: StandInPlant, **options: object) -> BatteryMonitor:
    device = make(
        plant, "bms", Options("battery_monitor", "battery", update=0.5, window=0.0, **options), seed=3
    )  # type: ignore[arg-type]
    assert isinstance(device, BatteryMonitor)
    return device


def walk(device: Inverter | BatteryMonitor) -> dict[int, int]:
    """Model -> address of its ID register, found as any client finds it."""
    assert device.read_registers(1, 40000, 2) == IN["IN-17"]["expected"]["registers"]
    found, at = {}, 40002
    while True:
        model, size = device.read_registers(1, at, 2)
        if model == int(IN["IN-17"]["expected"]["end_model_id"], 16):
            assert size == IN["IN-17"]["expected"]["end_len"]
            return found
        found[model] = at
        at += 2 + size


def test_marker_chain_and_bases() -> None:  # IN-17: SunSpec Device Information Model Specification
    assert IN["IN-17"]["expected"]["bases"][0] == 40000
    assert list(walk(inverter("battery_inverter", StandInPlant()))) == [1, 701, 714]
    assert list(walk(monitor(StandInPlant()))) == [1, 802, 803]


def test_model_lengths() -> None:  # IN-18: SunSpec models
    for model in (1, 701):
        assert length(model) == IN["IN-18"]["expected"][str(model)]
    assert length(802) == 62  # SunSpec model 802
    assert length(803) == 26 + 32  # SunSpec model 803: fixed block and one string
    assert length(714) == 18 + 25  # SunSpec model 714: fixed block and one port


def test_point_offsets() -> None:  # IN-19: SunSpec model 701, counted from its ID register
    offsets, at = {}, 2
    for point in MODELS[701]:
        offsets[point.name] = at
        at += point.size
    for name, offset in IN["IN-19"]["expected"]["701"].items():
        assert offsets[name] == int(str(offset).split()[0])
    assert len(MODELS[701]) == len({point.name for point in MODELS[701]})


def test_unimplemented_values() -> None:  # IN-20: SunSpec Device Information Model Specification
    for kind, text in IN["IN-20"]["expected"].items():
        if kind in UNIMPLEMENTED:
            assert UNIMPLEMENTED[kind] == int(text, 16), kind
    device = inverter("pv_inverter", StandInPlant())
    at = walk(device)[701]
    block = device.read_registers(1, at, 125)
    assert block[10] == 0x8000  # W, before the first update
    assert block[17:19] == [0xFFFF, 0xFFFF]  # Hz, a uint32
    assert block[4] == 0xFFFF  # InvSt, an enum16
    assert block[19:23] == [0xFFFF] * 4  # TotWhInj is never carried
    assert block[120] == 0x8000  # TotWh_SF


def test_scale_factors() -> None:  # IN-21, IN-22: value * 10^sf
    for raw, factor, value in zip(
        IN["IN-21"]["input"]["raw"], IN["IN-21"]["input"]["sf"], IN["IN-21"]["expected"], strict=True
    ):
        assert raw * 10.0**factor == pytest.approx(value, rel=1e-9)
        if -10 < factor < 10:
            registers = RegisterMap([701], {(701, "V_SF"): factor})
            registers.show(701, "LNV", value)
            assert struct.unpack(">h", struct.pack(">H", registers.read(40000 + 2 + 16, 1)[0]))[0] == raw


def test_inverter_values_and_scales() -> None:
    plant = StandInPlant()
    exact = dict.fromkeys(("own_power", "own_voltage", "own_frequency"), QuantityOptions(0, 1e-9))
    device = inverter("battery_inverter", plant, quantities=exact)
    at = walk(device)
    plant.advance(2.0)
    block = device.read_registers(1, at[701], 125)
    signed = struct.unpack(f">{len(block)}h", struct.pack(f">{len(block)}H", *block))
    assert signed[10] * 10.0 ** signed[116] == pytest.approx(1200, abs=51)  # the ramp went on by up to 50 W
    assert signed[16] * 10.0 ** signed[114] == pytest.approx(230.0)
    assert (block[17] << 16 | block[18]) * 10.0 ** signed[115] == pytest.approx(
        50 + 0.5 * math.sin(0.4), abs=0.06
    )
    assert block[4] == 4  # InvSt
    port = device.read_registers(1, at[714], 45)
    assert port[4] == 1
    assert port[31] * 10.0 ** (port[16] - 65536) == pytest.approx(53.0, abs=0.5)
    current = struct.unpack(">h", struct.pack(">H", port[5]))[0] * 10.0 ** (port[15] - 65536)
    assert current == pytest.approx(
        20.0, abs=0.5
    )  # the battery discharges, so current flows into the inverter


def test_negative_power_is_signed() -> None:
    plant = StandInPlant()
    plant.curves["battery_inverter.power"] = lambda t: -2500.0
    device = inverter("battery_inverter", plant)
    at = walk(device)[701]
    plant.advance(1.0)
    raw = device.read_registers(1, at + 10, 1)[0]
    assert raw > 0x8000
    assert raw - 65536 == pytest.approx(-2500, abs=40)


def test_battery_monitor_values() -> None:
    plant = StandInPlant()
    device = monitor(
        plant, quantities={"soc": QuantityOptions(0, 0, 0.001), "temperature": QuantityOptions(0, 0, 0.1)}
    )
    at = walk(device)
    plant.advance(1.0)
    block = device.read_registers(1, at[802], 64)
    assert block[11] * 10.0 ** (block[56] - 65536) == pytest.approx(94.5)
    assert block[37] * 10.0 ** (block[60] - 65536) == pytest.approx(3.338)
    assert block[40] * 10.0 ** (block[60] - 65536) == pytest.approx(3.321)
    bank = device.read_registers(1, at[803], 60)
    assert bank[4] * 10.0 ** (bank[23] - 65536) == pytest.approx(25.0)
    plant.curves["battery.temperature"] = lambda t: 263.15  # -10 degC
    plant.advance(2.0)
    assert device.read_registers(1, at[803] + 4, 1) == [0x10000 - 100]


def test_common_model_names_the_device() -> None:
    device = make(StandInPlant(), "pv", Options("inverter", "pv_inverter", serial="HTL-9"), 1)
    assert isinstance(device, Inverter)
    raw = b"".join(r.to_bytes(2, "big") for r in device.read_registers(1, 40004, 66))
    assert raw[:32].rstrip(b"\0") == b"Highmoor Training Laboratory"
    assert raw[32:64].rstrip(b"\0") == b"Simulated inverter"
    assert raw[96:128].rstrip(b"\0") == b"HTL-9"


def test_values_hold_between_updates_and_are_read_at_once() -> None:
    plant = StandInPlant()
    plant.advance(1.0)
    device = inverter("pv_inverter", plant)
    at = walk(device)[701]
    blocks = []
    for k in range(20):
        plant.advance(1.0 + k * 0.1)
        blocks.append(tuple(device.read_registers(1, at, 125)))
    assert len(set(blocks)) in (4, 5)  # 1.9 s of two updates a second


def test_refusals() -> None:  # IN-12: Modbus Application Protocol V1.1b3, chapter 7
    device = inverter("pv_inverter", StandInPlant())
    known = {int(code): text for code, text in IN["IN-12"]["expected"].items()}
    for unit, address, count, code in (
        (1, 39999, 2, 2),
        (1, 40000, 126, 3),
        (1, 40000, 0, 3),
        (1, 65535, 1, 2),
        (7, 40000, 2, 11),
    ):
        with pytest.raises(RegistersRefusedError) as refused:
            device.read_registers(unit, address, count)
        assert refused.value.code == code
        assert code in known


def test_faults() -> None:
    plant = StandInPlant()
    plant.advance(1.0)
    device = monitor(plant)
    good = device.read_registers(1, 40070, 60)
    device.faults.add("silent", count=1)
    with pytest.raises(TimeoutError):
        device.read_registers(1, 40070, 60)
    device.faults.add("missing", count=1)
    assert device.read_registers(1, 40070 + 11, 1) == [0xFFFF]
    device.faults.add("garbage", count=1)
    assert device.read_registers(1, 40070, 60) != good
    device.faults.add("stuck")
    plant.curves["battery.soc_estimate"] = lambda t: 0.2
    plant.advance(9.0)
    assert device.read_registers(1, 40070 + 11, 1) == [good[11]]
    device.faults.clear()
    assert device.read_registers(1, 40070 + 11, 1) != [good[11]]


@given(
    st.floats(allow_nan=True, allow_infinity=True),
    st.sampled_from(["W", "PF", "Hz", "LNV"]),
    st.integers(-4, 2),
)
def test_any_value_fits_its_registers(value: float, name: str, factor: int) -> None:
    scale = {point.name: point.scale for point in MODELS[701]}[name]
    registers = RegisterMap([701], {(701, scale): factor})
    before = len(registers.registers)
    registers.show(701, name, value)
    assert len(registers.registers) == before
    assert all(0 <= register <= 0xFFFF for register in registers.registers)
    place, point = registers.places[701, name]
    raw = int.from_bytes(
        b"".join(r.to_bytes(2, "big") for r in registers.registers[place : place + point.size]), "big"
    )
    signed = (
        raw - (1 << 16 * point.size) if point.kind.startswith("int") and raw >> (16 * point.size - 1) else raw
    )
    if raw != UNIMPLEMENTED[point.kind]:
        assert abs(signed * 10.0**factor - value) <= 0.5000001 * 10.0**factor + 1e-9 * abs(value)


def test_point_lists_are_read_as_written() -> None:
    assert [(p.name, p.kind, p.size, p.scale) for p in points("A:int16:A_SF Md:string16 X:uint32")] == [
        ("A", "int16", 1, "A_SF"),
        ("Md", "string", 16, ""),
        ("X", "uint32", 2, ""),
    ]
