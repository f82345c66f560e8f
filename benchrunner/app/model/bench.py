"""What the bench picture shows: switches, flows and voltages from the newest readings, and what is not known."""

import math
from dataclasses import dataclass

from benchrunner.app.model.run import RunState

# SunSpec model 701, InvSt
INVERTER_STATES = {
    0: "off", 1: "sleeping", 2: "starting", 3: "running", 4: "throttled", 5: "shutting down", 6: "fault", 7: "standby",
}  # fmt: skip
LIVE = 25.0  # V; above that a node counts as live in the picture, below it never counts as dead
_FLOWS = 30.0  # W; a flow below this is drawn thin


@dataclass(frozen=True, slots=True)
class Flow:
    """A power at a place. The arrow in the picture always points in the positive direction; the sign is in the number."""

    value: float  # W or A; NaN: no reading
    text: str
    flows: bool


@dataclass(frozen=True, slots=True)
class BenchView:
    """The picture's contents. A switch is True (closed), False (open) or None (not known)."""

    grid_closed: bool | None
    transfer_closed: bool | None  # worked out from currents and voltages, not measured
    pv_contactor: bool | None
    battery_contactor: bool | None
    inverter_enabled: bool | None
    interlock: bool | None
    load_on: bool | None
    sun_live: bool | None  # between PV source and PV inverter
    mains_live: bool | None  # upstream of the grid switch; nothing measures there while it is open
    grid_live: bool | None  # between grid switch and transfer relay
    bus_live: bool | None
    grid_text: str
    bus_text: str
    battery_text: str
    soc_text: str
    sun_text: str
    battery_inverter_state: str
    pv_inverter_state: str
    grid: Flow
    pv: Flow
    load: Flow
    battery_inverter: Flow
    battery: Flow

    def words(self) -> str:
        """The picture in words, for those who do not see it."""
        switch = {True: "closed", False: "open", None: "not known"}
        return (
            f"Grid switch {switch[self.grid_closed]}, {self.grid_text}, power {self.grid.text}. "
            f"Transfer relay {switch[self.transfer_closed]} as far as currents and voltages tell. Bus {self.bus_text}. "
            f"PV contactor {switch[self.pv_contactor]}, PV inverter {self.pv_inverter_state or 'state not known'}, {self.pv.text}. "
            f"Load {self.load.text}. Battery inverter {self.battery_inverter_state or 'state not known'}, {self.battery_inverter.text}. "
            f"Battery contactor {switch[self.battery_contactor]}, {self.battery_text}, {self.battery.text}, state of charge {self.soc_text}."
        )


def view(run: RunState) -> BenchView:
    """The picture of the bench as its newest readings tell."""
    value = run.value
    grid_voltage, bus_voltage = value("grid.voltage"), value("bus.voltage")
    grid_live, bus_live = _live(grid_voltage), _live(bus_voltage)
    closed = _switch(value("grid.closed"))
    mains_live = grid_live if closed else None
    return BenchView(
        grid_closed=closed,
        transfer_closed=_transfer(value("grid.current"), grid_live, bus_live),
        pv_contactor=_switch(value("relays.pv_contactor")),
        battery_contactor=_switch(value("relays.battery_contactor")),
        inverter_enabled=_switch(value("relays.inverter_enable")),
        interlock=_switch(value("interlock.closed")),
        load_on=None if math.isnan(value("load.power")) else abs(value("load.power")) > _FLOWS,
        sun_live=_live(value("pv_source.voltage")),
        mains_live=mains_live,
        grid_live=grid_live,
        bus_live=bus_live,
        grid_text=_pair(grid_voltage, "V", 1, value("grid.frequency") if grid_live else math.nan, "Hz", 2),
        bus_text=_pair(bus_voltage, "V", 1, value("bus.frequency") if bus_live else math.nan, "Hz", 2),
        battery_text=_one(value("battery.voltage"), "V", 2),
        soc_text=_one(value("battery.soc") * 100.0, "%", 1),
        sun_text=_one(value("pv_source.power") / 1000.0, "kW", 2),
        battery_inverter_state=_state(value("battery_inverter.state")),
        pv_inverter_state=_state(value("pv_inverter.state")),
        grid=_power(value("grid.power")),
        pv=_power(value("pv.power")),
        load=_power(value("load.power")),
        battery_inverter=_power(value("battery_inverter.power")),
        battery=_current(value("battery.current")),
    )


def _live(voltage: float) -> bool | None:
    return None if math.isnan(voltage) else abs(voltage) > LIVE


def _switch(value: float) -> bool | None:
    return None if math.isnan(value) else value > 0.5


def _transfer(current: float, grid_live: bool | None, bus_live: bool | None) -> bool | None:
    """The relay inside the battery inverter tells nobody its position: current through it, or a voltage on one side only."""
    if not math.isnan(current) and abs(current) > 0.5:
        return True
    if grid_live is not None and bus_live is not None and grid_live != bus_live:
        return False
    return None


def _state(value: float) -> str:
    return "" if math.isnan(value) else INVERTER_STATES.get(round(value), f"state {value:.0f}")


def _one(value: float, unit: str, places: int) -> str:
    if math.isnan(value):
        return "–"
    text = f"{value:.{places}f}"
    return f"{text.lstrip('-') if float(text) == 0.0 else text} {unit}".replace("-", "−")


def _pair(first: float, unit: str, places: int, second: float, other: str, other_places: int) -> str:
    text = _one(first, unit, places)
    return text if math.isnan(second) else f"{text}  {_one(second, other, other_places)}"


def _power(watts: float) -> Flow:
    return _flow(watts, watts / 1000.0, "kW", 2, _FLOWS)


def _current(amperes: float) -> Flow:
    return _flow(amperes, amperes, "A", 1, 0.5)


def _flow(value: float, shown: float, unit: str, places: int, threshold: float) -> Flow:
    if math.isnan(value):
        return Flow(value, "–", False)
    text = f"{shown:+.{places}f}"
    if float(text) == 0.0:
        text = text[1:]
    return Flow(value, f"{text} {unit}".replace("-", "−"), abs(value) > threshold)
