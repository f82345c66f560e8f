"""An inverter in SunSpec's older models: 103 (measurements) and 123 (immediate controls)."""

import math

from benchrunner.sim.emulators.metering import LEAST_VOLTAGE
from benchrunner.sim.emulators.sunspec import UNIMPLEMENTED
from benchrunner.sim.emulators.sunspec_devices import Inverter


class OlderInverter(Inverter):
    """As `Inverter`, in models 1, 103 and 123. A battery inverter's controls are only read."""

    def offered(self) -> tuple[int, ...]:
        return (1, 103, 123)

    def scales(self) -> dict[tuple[int, str], int]:
        power = self.scale("own_power", 0)
        return {
            (103, "A_SF"): -2, (103, "V_SF"): self.scale("own_voltage", -1), (103, "W_SF"): power,
            (103, "Hz_SF"): self.scale("own_frequency", -2), (103, "VA_SF"): power, (103, "DCA_SF"): -2,
            (103, "DCV_SF"): self.scale("own_dc_voltage", -1), (103, "DCW_SF"): power, (123, "WMaxLimPct_SF"): 0,
        }  # fmt: skip

    def constants(self) -> None:
        for point, raw in (("Conn", 1), ("WMaxLimPct", 100), ("WMaxLim_Ena", 0)):
            self.map.put(123, point, raw)
        self.control()

    def refresh(self, values: dict[str, float]) -> None:
        show = self.map.show
        volts, amperes, watts = values["own_voltage"], values["own_current"], values["own_power"]
        sign = -1.0 if self.at_battery else 1.0  # DC power counts into the inverter
        dc_volts, dc_amperes = values["own_dc_voltage"], sign * values["own_dc_current"]
        for point, value in (
            ("A", amperes), ("AphA", amperes), ("PhVphA", volts), ("W", watts), ("VA", abs(volts * amperes)),
            ("Hz", values["own_frequency"] if volts >= LEAST_VOLTAGE else math.nan), ("DCV", dc_volts),
            ("DCW", dc_volts * dc_amperes),
        ):  # fmt: skip
            show(103, point, value)
        state = self.plant.value(self._state) if self._state in self.plant.taps else math.nan
        # model 103 counts its states from 1 (off), model 701 from 0
        self.map.put(103, "St", int(state) + 1 if math.isfinite(state) else UNIMPLEMENTED["enum16"])
