"""The inverters and the battery monitor of the simulated bench, seen through their SunSpec registers.

What they say of themselves is worth less than what the bench's meters read; by default it errs by a percent.
"""

import math
from dataclasses import replace

from benchrunner.sim.emulators.base import Emulator
from benchrunner.sim.emulators.lines import LineReader
from benchrunner.sim.emulators.metering import LEAST_VOLTAGE, Plant
from benchrunner.sim.emulators.options import MAKER, Options, QuantityOptions
from benchrunner.sim.emulators.sunspec import (
    BASE,
    ILLEGAL_FUNCTION,
    UNIMPLEMENTED,
    RegisterMap,
    RegistersRefusedError,
)
from benchrunner.sim.emulators.sunspec_controls import SCALES, Controls

DEVICE_FAILURE, GATEWAY_NO_RESPONSE = 4, 11  # Modbus Application Protocol V1.1b3, chapter 7
ZERO_CELSIUS = 273.15  # K
OWN = {  # limits of error of an inverter's own values where the card states none
    "own_power": QuantityOptions(0.01, 10.0), "own_voltage": QuantityOptions(0.01, 0.5), "own_current": QuantityOptions(0.01, 0.05),
    "own_frequency": QuantityOptions(0.0, 0.02), "own_dc_voltage": QuantityOptions(0.005, 0.1),
    "own_dc_current": QuantityOptions(0.01, 0.2),
}  # fmt: skip
BATTERY_SIDE = {
    "own_power": "battery_inverter.power", "own_voltage": "bus.voltage", "own_current": "battery_inverter.current",
    "own_frequency": "bus.frequency", "own_dc_voltage": "battery.voltage", "own_dc_current": "battery.current",
}  # fmt: skip
PV_SIDE = {
    "own_power": "pv.power", "own_voltage": "pv.voltage", "own_current": "pv.current", "own_frequency": "pv.frequency",
    "own_dc_voltage": "pv_source.voltage", "own_dc_current": "pv_source.current",
}  # fmt: skip


class SunSpecDevice(Emulator):
    """A device whose registers are refreshed once an update. In memory it is read with `read_registers`."""

    link = "modbus"
    models: tuple[int, ...] = (1,)

    def __init__(self, plant: Plant, name: str, options: Options, seed: int = 1) -> None:
        super().__init__(plant, name, self.wire(options), seed)
        self.unit = int(options.number("unit", 1))
        self.map = RegisterMap(self.models, self.scales(), int(options.number("base", BASE)))
        maker, model, serial, version = self.identity.split(",")
        for point, text in (("Mn", maker or MAKER), ("Md", model), ("Vr", version), ("SN", serial)):
            self.map.put(1, point, text)
        self.map.put(1, "DA", self.unit)
        self._shown = -2
        self.constants()

    def be_unit(self, unit: int) -> None:
        """Answer to this unit number, and say so in model 1."""
        self.unit = unit
        self.map.put(1, "DA", unit)

    def wire(self, options: Options) -> Options:
        """The options with the taps that this device has by its nature."""
        return options

    def scales(self) -> dict[tuple[int, str], int]:
        """Scale factors, chosen at power-on and fixed from then on."""
        return {}

    def constants(self) -> None:
        """Points that do not change."""

    def refresh(self, values: dict[str, float]) -> None:
        """Put an update's values into the registers."""

    def scale(self, quantity: str, otherwise: int) -> int:
        """The scale factor that shows the card's resolution of a quantity."""
        resolution = self.options.quantities.get(quantity, QuantityOptions()).resolution
        return max(-4, min(2, math.floor(math.log10(resolution) + 1e-9))) if resolution > 0 else otherwise

    def answer(self, data: bytes, reader: LineReader | None) -> bytes:
        return b""  # it speaks no text

    def read_registers(self, unit: int, address: int, count: int) -> list[int]:
        """Holding registers, as over the wire. Raises `RegistersRefusedError`; `TimeoutError` for a silent device."""
        self.dropped = False
        faults = self.begin_faults() if self.faults.armed or self._in_force else {}
        try:
            if unit != self.unit:
                raise RegistersRefusedError(GATEWAY_NO_RESPONSE, f"no device has unit number {unit}")
            if self.dropped or "silent" in faults:
                raise TimeoutError("no reply")
            found = self._read(address, count)
            if "garbage" in faults:
                noise = self.noise(2 * count)
                found = [int.from_bytes(noise[k : k + 2], "big") for k in range(0, 2 * count, 2)]
            if "cut" in faults:
                raise RegistersRefusedError(DEVICE_FAILURE, "the device failed while answering")
            return found
        finally:
            if faults:
                self.end_faults(True)

    def write_registers(self, unit: int, address: int, values: list[int]) -> None:
        """Write holding registers, as over the wire. Raises as `read_registers` does."""
        self.dropped = False
        faults = self.begin_faults() if self.faults.armed or self._in_force else {}
        try:
            if unit != self.unit:
                raise RegistersRefusedError(GATEWAY_NO_RESPONSE, f"no device has unit number {unit}")
            if self.dropped:
                raise TimeoutError("no reply")
            self.write(address, values)
            if "silent" in faults:
                raise TimeoutError("no reply")
            if "garbage" in faults or "cut" in faults:
                raise RegistersRefusedError(DEVICE_FAILURE, "the device failed while answering")
        finally:
            if faults:
                self.end_faults(True)

    def write(self, address: int, values: list[int]) -> None:
        """Carry out what is written. Raises `RegistersRefusedError`; a device without controls refuses the function."""
        raise RegistersRefusedError(ILLEGAL_FUNCTION, "nothing on this device can be written")

    def _read(self, address: int, count: int) -> list[int]:
        meter = self.meter
        assert meter is not None
        if meter.forced != "stuck":
            update = meter.updates
            mark = -3 if meter.forced else update
            if mark != self._shown or mark == -3:
                self._shown = mark
                self.refresh(dict(zip(meter.shown, meter.values(update).tolist(), strict=True)))
        return self.map.read(address, count)


class Inverter(SunSpecDevice):
    """Models 1, 701 (AC) and 714 (DC). Which inverter it is follows from its role: `battery...` or the PV inverter.

    A PV inverter has controls too, in models 703 and 704.
    """

    models: tuple[int, ...] = (1, 701, 714)
    shown = ("own_power", "own_voltage", "own_current", "own_frequency", "own_dc_voltage", "own_dc_current")
    unsigned = ("own_voltage", "own_current", "own_frequency")

    def wire(self, options: Options) -> Options:
        self.at_battery = options.role.startswith("battery")
        taps = BATTERY_SIDE if self.at_battery else PV_SIDE
        self.models = self.offered()
        own = {**{f"{quantity}_tap": tap for quantity, tap in taps.items()}, **options.own}
        stated = {q: known for q, known in options.quantities.items() if known != QuantityOptions()}
        finer = {q: replace(known, resolution=1e-6) for q, known in {**OWN, **stated}.items()}
        self._state = "battery_inverter.state" if self.at_battery else "pv_inverter.state"
        self._stated = stated
        return replace(options, own=own, quantities=finer)

    def offered(self) -> tuple[int, ...]:
        """The models of this inverter."""
        return (1, 701, 714) if self.at_battery else (1, 701, 703, 704, 714)

    def control(self) -> None:
        """Give a PV inverter its controls."""
        self.controls: Controls | None = None
        if self.at_battery:
            return
        numbered = self.options.role[-2:] in ("_1", "_2", "_3")
        role = f"pv_inverter{self.options.role[-2:]}" if numbered else "pv_inverter"
        self.controls = Controls(self.map, self.models, role, self.plant, self.press)

    def write(self, address: int, values: list[int]) -> None:
        if self.controls is None:
            super().write(address, values)
            return
        self.controls.write(address, values)

    def pass_time(self) -> None:
        if self.controls is not None:
            self.controls.pass_time()

    def reboot(self) -> None:
        if self.controls is not None:
            self.controls.forget()

    def _read(self, address: int, count: int) -> list[int]:
        self.pass_time()
        return super()._read(address, count)

    def scale(self, quantity: str, otherwise: int) -> int:
        resolution = self._stated.get(quantity, QuantityOptions()).resolution
        return max(-4, min(2, math.floor(math.log10(resolution) + 1e-9))) if resolution > 0 else otherwise

    def scales(self) -> dict[tuple[int, str], int]:
        power, volts = self.scale("own_power", 0), self.scale("own_voltage", -1)
        return {
            (701, "A_SF"): -2, (701, "V_SF"): volts, (701, "Hz_SF"): self.scale("own_frequency", -2), (701, "W_SF"): power,
            (701, "PF_SF"): -3, (701, "VA_SF"): power, (701, "Var_SF"): power,
            (714, "DCA_SF"): -2, (714, "DCV_SF"): self.scale("own_dc_voltage", -1), (714, "DCW_SF"): power,
            **({} if self.at_battery else {(704, "WMaxLimPct_SF"): SCALES[704, "WMaxLimPct_SF"]}),
        }  # fmt: skip

    def constants(self) -> None:
        self.map.put(701, "ACType", 0)  # single phase
        self.map.put(714, "NPrt", 1)
        self.map.put(714, "Prt_Typ", 2 if self.at_battery else 1)  # storage, photovoltaic
        self.map.put(714, "Prt_ID", 1)
        self.control()

    def refresh(self, values: dict[str, float]) -> None:
        show = self.map.show
        volts, amperes, watts = values["own_voltage"], values["own_current"], values["own_power"]
        for point, value in (("W", watts), ("A", amperes), ("LNV", volts), ("VA", abs(volts * amperes))):
            show(701, point, value)
        show(701, "Hz", values["own_frequency"] if volts >= LEAST_VOLTAGE else math.nan)
        for point, value in (("WL1", watts), ("AL1", amperes), ("VL1", volts)):
            show(701, point, value)
        state = self.plant.value(self._state) if self._state in self.plant.taps else math.nan
        known = math.isfinite(state) and math.isfinite(watts)
        self.map.put(701, "InvSt", int(state) if known else UNIMPLEMENTED["enum16"])
        self.map.put(701, "St", int(state not in (0.0, 6.0, 7.0)) if known else UNIMPLEMENTED["enum16"])
        sign = (
            -1.0 if self.at_battery else 1.0
        )  # DC power counts into the inverter; the battery's counts into the battery
        dc_volts, dc_amperes = values["own_dc_voltage"], sign * values["own_dc_current"]
        for prefix in ("", "Prt_"):
            show(714, f"{prefix}DCA", dc_amperes)
            show(714, f"{prefix}DCW", dc_volts * dc_amperes)
        show(714, "Prt_DCV", dc_volts)


class BatteryMonitor(SunSpecDevice):
    """Models 1, 802 (battery) and 803 (lithium-ion bank, one string): what the battery's own electronics see."""

    models = (1, 802, 803)
    shown = (
        "soc",
        "cell_voltage_max",
        "cell_voltage_min",
        "temperature",
        "cell_side_voltage",
        "own_battery_current",
    )

    def wire(self, options: Options) -> Options:
        self._stated = options.quantities
        role = options.channels.get("soc", "").partition(".")[0] or options.role
        own = {
            "cell_side_voltage_tap": f"{role}.cell_side_voltage", "own_battery_current_tap": f"{role}.current",
            "soc_tap": f"{role}.soc_estimate",  # what its electronics believe; the true one nobody reads
            **{f"{q}_tap": f"{role}.{q}" for q in ("cell_voltage_max", "cell_voltage_min", "temperature")},
            **options.own,
        }  # fmt: skip
        names = {*self.shown, *options.quantities}
        finer = {q: replace(options.quantities.get(q, QuantityOptions()), resolution=1e-9) for q in names}
        return replace(options, own=own, quantities=finer, channels={})

    def scale(self, quantity: str, otherwise: int) -> int:
        resolution = self._stated.get(quantity, QuantityOptions()).resolution
        return max(-4, min(2, math.floor(math.log10(resolution) + 1e-9))) if resolution > 0 else otherwise

    def scales(self) -> dict[tuple[int, str], int]:
        soc = self.scale("soc", -3) + 2  # a ratio on the card, percent in the register
        cell, kelvin = self.scale("cell_voltage_max", -3), self.scale("temperature", -1)
        return {
            (802, "AHRtg_SF"): 0, (802, "WHRtg_SF"): 0, (802, "WChaDisChaMax_SF"): 0, (802, "SoC_SF"): soc,
            (802, "V_SF"): -2, (802, "CellV_SF"): cell, (802, "A_SF"): -1, (802, "AMax_SF"): -1, (802, "W_SF"): 0,
            (803, "CellV_SF"): cell, (803, "ModTmp_SF"): kelvin, (803, "A_SF"): -1, (803, "SoC_SF"): soc, (803, "V_SF"): -2,
        }  # fmt: skip

    def constants(self) -> None:
        for model, point, raw in (
            (802, "LocRemCtl", 0), (802, "AlmRst", 0), (802, "Typ", 4), (802, "Evt1", 0), (802, "Evt2", 0), (802, "EvtVnd1", 0),
            (802, "EvtVnd2", 0), (803, "NStr", 1), (803, "NStrCon", 1), (803, "Str_NMod", 1), (803, "Str_Evt1", 0),
        ):  # fmt: skip
            self.map.put(model, point, raw)

    def refresh(self, values: dict[str, float]) -> None:
        show = self.map.show
        percent, high, low = 100.0 * values["soc"], values["cell_voltage_max"], values["cell_voltage_min"]
        celsius = values["temperature"] - ZERO_CELSIUS
        volts, amperes = values["cell_side_voltage"], values["own_battery_current"]
        for point, value in (
            ("SoC", percent),
            ("CellVMax", high),
            ("CellVMin", low),
            ("V", volts),
            ("A", amperes),
        ):
            show(802, point, value)
        show(802, "W", volts * amperes)
        for point, value in (
            ("ModTmpMax", celsius),
            ("ModTmpMin", celsius),
            ("StrVMax", volts),
            ("StrAMax", amperes),
        ):
            show(803, point, value)
        for point, value in (
            ("Str_SoC", percent),
            ("Str_A", amperes),
            ("Str_CellVMax", high),
            ("Str_CellVMin", low),
        ):
            show(803, point, value)
        show(803, "Str_ModTmpMax", celsius)
        self.map.put(802, "Hb", int(self.plant.now) % 0xFFFF)  # counts the seconds
        closed = (
            self.plant.value("battery.protection_closed")
            if "battery.protection_closed" in self.plant.taps
            else 1.0
        )
        self.map.put(802, "State", 3 if closed > 0.5 else 1)  # connected, disconnected
        self.map.put(803, "NStrCon", int(closed > 0.5))
