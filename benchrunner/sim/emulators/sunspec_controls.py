"""Controls of a simulated PV inverter: models 123 (immediate controls), 703 (enter service), 704 (DER AC controls).

Source: the published model definitions (`resources/sunspec`). A limit counts in percent of rated power. A control's
reversion time runs from each write that puts it in force; when it is over, model 123 lifts the control, and model 704 puts
its reversion values in force. Written is all of a message or, with a Modbus exception, nothing of it: 2 for a register
that is none, not whole or read only, 3 for a value that the point cannot take (Modbus Application Protocol V1.1b3,
chapter 7; which of the two for what is our choice, the models leave it open).
"""

import math
from collections.abc import Callable
from typing import Any

from benchrunner.sim.emulators.sunspec import (
    ILLEGAL_ADDRESS,
    ILLEGAL_VALUE,
    UNIMPLEMENTED,
    RegisterMap,
    RegistersRefusedError,
)

SCALES = {(123, "WMaxLimPct_SF"): 0, (704, "WMaxLimPct_SF"): -1}
AT_POWER_ON: dict[int, dict[str, int]] = {
    123: {
        "Conn": 1, "Conn_RvrtTms": 0, "WMaxLimPct": 100, "WMaxLim_Ena": 0, "WMaxLimPct_RvrtTms": 0,
    },
    703: {"ES": 1},
    704: {
        "WMaxLimPctEna": 0, "WMaxLimPct": 1000, "WMaxLimPctRvrt": 1000, "WMaxLimPctEnaRvrt": 0, "WMaxLimPctRvrtTms": 0,
        "WMaxLimPctRvrtRem": 0,
    },
}  # fmt: skip
READ_ONLY = {(704, "WMaxLimPctRvrtRem")}
SWITCHES = {
    (123, "Conn"),
    (123, "WMaxLim_Ena"),
    (703, "ES"),
    (704, "WMaxLimPctEna"),
    (704, "WMaxLimPctEnaRvrt"),
}
PERCENT = {
    (123, "WMaxLimPct"): 100,
    (704, "WMaxLimPct"): 1000,
    (704, "WMaxLimPctRvrt"): 1000,
}  # the most, raw
LIMIT = {  # model: enabled, limit, reversion time
    123: ("WMaxLim_Ena", "WMaxLimPct", "WMaxLimPct_RvrtTms"),
    704: ("WMaxLimPctEna", "WMaxLimPct", "WMaxLimPctRvrtTms"),
}
CONNECTION = {123: ("Conn", "Conn_RvrtTms"), 703: ("ES", "")}


class Controls:
    """What a PV inverter was told. `press(name, value)` carries a setting of the plant out; `role`: whose it is there."""

    def __init__(
        self, registers: RegisterMap, models: tuple[int, ...], role: str, plant: Any, press: Callable[[str, float], None]
    ) -> None:  # fmt: skip
        self.map, self.role, self.plant, self.press = registers, role, plant, press
        self._limit = next(model for model in LIMIT if model in models)
        self._connection = next(model for model in CONNECTION if model in models)
        self._ends: dict[str, float] = {}  # setting -> plant time at which it reverts, s
        self._put_defaults()

    def write(self, address: int, values: list[int]) -> None:
        """Carry out a message. Raises `RegistersRefusedError`; then nothing of it was."""
        told = self._understood(address, values)
        self.pass_time()
        for (model, name), raw in told.items():
            self.map.put(model, name, raw)
        names = {name for _, name in told}
        enabled, limit, _ = LIMIT[self._limit]
        if enabled in names:
            self._enforce_limit(restart=True)
        elif limit in names:
            self._enforce_limit(restart=False)
        connected, _ = CONNECTION[self._connection]
        if connected in names:
            self._connect()

    def pass_time(self) -> None:
        """What has reverted by now is so in the registers too; the plant's own agenda did it there at its time."""
        now = self.plant.now
        for setting, end in list(self._ends.items()):
            if now < end:
                continue
            del self._ends[setting]
            if setting.endswith(".held_off"):
                self.map.put(self._connection, CONNECTION[self._connection][0], 1)
            elif self._limit == 123:
                self.map.put(123, "WMaxLim_Ena", 0)
            else:
                self.map.put(704, "WMaxLimPctEna", self._raw(704, "WMaxLimPctEnaRvrt"))
                self.map.put(704, "WMaxLimPct", self._raw(704, "WMaxLimPctRvrt"))
            if not hasattr(self.plant, "agenda"):
                self.press(setting, 0.0 if setting.endswith(".held_off") else self._cut_back())
        if self._limit == 704:
            left = self._ends.get(f"{self.role}.cut_back", now) - now
            self.map.put(704, "WMaxLimPctRvrtRem", math.ceil(left - 1e-9))

    def forget(self) -> None:
        """Its supply was gone: nothing is limited, and it connects."""
        for setting in (f"{self.role}.cut_back", f"{self.role}.held_off"):
            self._revert_at(setting, None, 0.0)
        self._put_defaults()
        self.press(f"{self.role}.cut_back", 0.0)
        self.press(f"{self.role}.held_off", 0.0)

    # -- inside

    def _put_defaults(self) -> None:
        for model in {self._limit, self._connection}:
            for name, raw in AT_POWER_ON[model].items():
                self.map.put(model, name, raw)

    def _understood(self, address: int, values: list[int]) -> dict[tuple[int, str], int]:
        """The points that a message writes, checked."""
        first = address - self.map.base
        if not values or first < 0 or first + len(values) > len(self.map.registers):
            raise RegistersRefusedError(ILLEGAL_ADDRESS, f"no registers from {address} on")
        starts = {place: (key, point) for key, (place, point) in self.map.places.items()}
        told: dict[tuple[int, str], int] = {}
        at = 0
        while at < len(values):
            key, point = starts.get(first + at, (None, None))
            if key is None or point is None or not self._writable(key) or at + point.size > len(values):
                raise RegistersRefusedError(ILLEGAL_ADDRESS, f"register {address + at} cannot be written")
            raw = 0
            for word in values[at : at + point.size]:
                raw = raw << 16 | word
            if (
                (key in SWITCHES and raw not in (0, 1))
                or raw > PERCENT.get(key, raw)
                or raw == UNIMPLEMENTED[point.kind]
            ):
                raise RegistersRefusedError(ILLEGAL_VALUE, f"{key[1]} cannot be {raw}")
            told[key] = raw
            at += point.size
        return told

    def _writable(self, key: tuple[int, str]) -> bool:
        model, name = key
        return (
            model in (self._limit, self._connection) and name in AT_POWER_ON[model] and key not in READ_ONLY
        )

    def _raw(self, model: int, name: str) -> int:
        place, point = self.map.places[model, name]
        raw = 0
        for word in self.map.registers[place : place + point.size]:
            raw = raw << 16 | word
        return raw

    def _cut_back(self, enabled: str = "", limit: str = "") -> float:
        """The part of rated power that the limit takes away."""
        model = self._limit
        if not self._raw(model, enabled or LIMIT[model][0]):
            return 0.0
        return 1.0 - self._raw(model, limit or LIMIT[model][1]) / PERCENT[model, LIMIT[model][1]]

    def _enforce_limit(self, restart: bool) -> None:
        model, setting = self._limit, f"{self.role}.cut_back"
        enabled, _, time = LIMIT[model]
        self.press(setting, self._cut_back())
        if not restart:
            return
        after = self._raw(model, time) if self._raw(model, enabled) else 0
        value = self._cut_back("WMaxLimPctEnaRvrt", "WMaxLimPctRvrt") if model == 704 else 0.0
        self._revert_at(setting, self.plant.now + after if after else None, value)

    def _connect(self) -> None:
        model, setting = self._connection, f"{self.role}.held_off"
        connected, time = CONNECTION[model]
        held = 1 - self._raw(model, connected)
        self.press(setting, float(held))
        after = self._raw(model, time) if time and held else 0
        self._revert_at(setting, self.plant.now + after if after else None, 0.0)

    def _revert_at(self, setting: str, at: float | None, value: float) -> None:
        self._ends.pop(setting, None)
        agenda = getattr(self.plant, "agenda", None)
        if agenda is not None:
            agenda.drop(f"{id(self)} {setting}")
        if at is not None:
            self._ends[setting] = at
            if agenda is not None:
                agenda.add(f"{id(self)} {setting}", at, setting, value)
