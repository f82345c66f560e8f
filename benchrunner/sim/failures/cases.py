"""The eight cases. Times in s, everything else in SI; what a pairing card says stands there and not here."""

from typing import TYPE_CHECKING

from benchrunner.sim.failures.case import Case, Course, Figures, Panel, happened, moment

if TYPE_CHECKING:
    import pandas

ISLAND = {"grid.closed": 0.0, "pv_inverter.on": 1.0}
COLD, WARM = 268.15, 333.15  # K, of the cells


def _over_voltage(fails: "pandas.DataFrame", holds: "pandas.DataFrame") -> Figures:
    at, opened = 20.0, moment(fails, "protection-opened")
    before, after = fails.loc[: at - 0.01].iloc[-1], fails.loc[at : opened - 0.005]
    return {
        "load": float(before["load.power"]),
        "cell_before": float(before["battery.cell_voltage_max"]),
        "cell_peak": float(after["battery.cell_voltage_max"].max()),
        "pack_peak": float(after["battery.voltage"].max()),
        "current": float(after["battery.current"].max()),
        "opened_after": opened - at,
        "pv_at_opening": float(after["pv.power"].iloc[-1]),
        "cause": float(happened(fails, "protection-opened")[0]["cause"]),
        "cell_peak_holds": float(holds.loc[at:, "battery.cell_voltage_max"].max()),
        "opened_holds": float(len(happened(holds, "protection-opened"))),
    }


def _contactor(fails: "pandas.DataFrame", holds: "pandas.DataFrame") -> Figures:
    opened, trip, off = (moment(fails, kind) for kind in ("protection-opened", "dc-trip", "pv-trip"))
    before, after = fails.loc[: opened - 0.01].iloc[-1], fails.loc[opened:]
    dead = after.index[(after["bus.voltage"] < 20.0) & (after.index > off)][0]
    return {
        "opened": opened,
        "pack": float(before["battery.voltage"]),
        "current": float(before["battery.current"]),
        "surplus": float(before["battery.power"]),
        "trip_after": (trip - opened) * 1e3,
        "link_peak": float(after["dc_link.voltage"].max()),
        "bus_peak": float(after["bus.voltage"].max()),
        "pv_after": (off - opened) * 1e3,
        "dead_after": (float(dead) - opened) * 1e3,
        "cell_side": float(fails["battery.cell_side_voltage"].iloc[-1]),
        "bus_end": float(fails["bus.voltage"].iloc[-1]),
        "opened_holds": float(len(happened(holds, "protection-opened"))),
        "current_holds": float(holds["battery.current"].iloc[-1]),
        "pack_holds": float(holds["battery.voltage"].max()),
    }


def _hunting(fails: "pandas.DataFrame", holds: "pandas.DataFrame") -> Figures:
    late, calm = fails.loc[90.0:], holds.loc[90.0:]
    swing = late["bus.frequency"] - late["bus.frequency"].mean()
    turns = float(((swing.to_numpy()[1:] >= 0) & (swing.to_numpy()[:-1] < 0)).sum())
    return {
        "low": float(late["bus.frequency"].min()),
        "high": float(late["bus.frequency"].max()),
        "pv_low": float(late["pv.power"].min()),
        "pv_high": float(late["pv.power"].max()),
        "current_high": float(late["battery.current"].max()),
        "period": (float(late.index[-1]) - 90.0) / max(turns, 1.0),
        "swing_holds": float(calm["bus.frequency"].max() - calm["bus.frequency"].min()),
        "pv_swing_holds": float(calm["pv.power"].max() - calm["pv.power"].min()),
    }


def _transfer(fails: "pandas.DataFrame", holds: "pandas.DataFrame") -> Figures:
    lost, trip, back = (moment(fails, kind) for kind in ("grid-lost", "pv-trip", "pv-connect"))
    away = fails.loc[lost + 1.0 : back - 0.1]
    return {
        "trip_after": (trip - lost) * 1e3,
        "value": float(happened(fails, "pv-trip")[0]["value"]),
        "gap": (moment(fails, "transfer") - lost) * 1e3,
        "away": back - trip,
        "from_battery": -float(away["battery.power"].mean()),
        "half_power": float(fails.loc[back:].index[fails.loc[back:, "pv.power"] > 2000.0][0]) - trip,
        "trips_holds": float(len(happened(holds, "pv-trip"))),
        "pv_holds": float(holds["pv.power"].loc[lost + 1.0]),
    }


def _sawtooth(fails: "pandas.DataFrame", holds: "pandas.DataFrame") -> Figures:
    trips = happened(fails, "pv-trip")
    times = [float(e["t"]) for e in trips]
    return {
        "trips": float(len(trips)),
        "value": float(trips[0]["value"]),
        "apart": (times[-1] - times[0]) / (len(times) - 1),
        "kept": float(fails["pv.power"].mean()),
        "trips_holds": float(len(happened(holds, "pv-trip"))),
        "frequency_holds": float(holds["bus.frequency"].iloc[-1]),
    }


def _oversized(fails: "pandas.DataFrame", holds: "pandas.DataFrame") -> Figures:
    stop = happened(fails, "inverter-stop")[0]
    return {
        "pv": float(fails.loc[:9.9, "pv.power"].iloc[-1]),
        "stopped_after": (float(stop["t"]) - 10.0) * 1e3,
        "taken": -float(stop["value"]),
        "cause": float(stop["cause"]),
        "bus_peak": float(fails.loc[10.0:, "bus.voltage"].max()),
        "pv_after": (moment(fails, "pv-trip") - 10.0) * 1e3,
        "bus_end": float(fails["bus.voltage"].iloc[-1]),
        "stops_holds": float(len(happened(holds, "inverter-stop"))),
        "bus_holds": float(holds["bus.voltage"].iloc[-1]),
        "pv_holds": float(holds.loc[:9.9, "pv.power"].iloc[-1]),
    }


def _cold(fails: "pandas.DataFrame", holds: "pandas.DataFrame") -> Figures:
    return {
        **_oversized(fails, holds),
        "array_cold": float(fails.loc[:9.9, "pv_source.power"].iloc[-1]),
        "array_warm": float(holds.loc[:9.9, "pv_source.power"].iloc[-1]),
        "volts_cold": float(fails.loc[:9.9, "pv_source.voltage"].iloc[-1]),
        "volts_warm": float(holds.loc[:9.9, "pv_source.voltage"].iloc[-1]),
        "taken_holds": float(-holds.loc[10.0:, "battery_inverter.power"].min()),
    }


def _low_light(fails: "pandas.DataFrame", holds: "pandas.DataFrame") -> Figures:
    starts, stops = happened(fails, "pv-connect"), happened(fails, "pv-trip")
    times = [float(e["t"]) for e in starts]
    return {
        "starts": float(len(starts)),
        "stops": float(len(stops)),
        "apart": (times[-1] - times[0]) / max(1, len(times) - 1),
        "available": float(fails["pv.available"].max()),
        "energy": float(fails["pv.power"].sum() * 1.0 / 3600.0),
        "starts_holds": float(len(happened(holds, "pv-connect"))),
        "stops_holds": float(len(happened(holds, "pv-trip"))),
    }


_BUS = Panel("bus, V", ("bus.voltage",))
_HZ = Panel("frequency, Hz", ("bus.frequency",), zero_is_none=True)
_PV = Panel("PV power, kW", ("pv.power",), scale=1e-3)

_FULL = {**ISLAND, "soc": 0.975, "pv_source.irradiance": 950.0, "load.power": 4600.0}
_REJECT = ((20.0, "load.power", 0.0),)
_OVERCHARGED = {**ISLAND, "soc": 0.985, "pv_source.irradiance": 900.0, "load.power": 300.0}
_PART = {**ISLAND, "soc": 0.6, "pv_source.irradiance": 900.0, "load.power": 2000.0}
_ON_GRID = {"soc": 0.6, "pv_inverter.on": 1.0, "pv_source.irradiance": 800.0, "load.power": 2500.0}
_NEARLY_FULL = {**ISLAND, "soc": 0.97, "pv_source.irradiance": 900.0, "load.power": 300.0}
_BIG = {**ISLAND, "soc": 0.7, "load.power": 8000.0}
_DAWN = {"grid.closed": 0.0, "soc": 0.6, "load.power": 200.0, "pv_source.irradiance": 14.0}

CASES: tuple[Case, ...] = (
    Case(
        "over-voltage",
        "Battery over-voltage at load rejection",
        Course("tarn6-corrie5-moraine50", _FULL, _REJECT, 40.0, 0.01),
        Course("tarn6-corrie5", _FULL, _REJECT, 40.0, 0.01),
        "the same on tarn6-corrie5: four times the capacity, cells evenly charged, a PV inverter that answers in 1 s",
        _over_voltage,
        (
            Panel("highest cell, V", ("battery.cell_voltage_max",), (("protection", 3.65),)),
            Panel("battery current, A", ("battery.current",)),
            _HZ,
            _PV,
        ),
        (18.0, 26.0),
        "A load of {load:.0f} W leaves at 20 s. The whole PV power turns into the battery: {current:.0f} A. The highest"
        " cell goes from {cell_before:.3f} V to {cell_peak:.3f} V, over its threshold of 3.65 V, while the pack with"
        " {pack_peak:.1f} V looks harmless against its own 58.4 V. After {opened_after:.2f} s the battery's protection opens;"
        " PV still brings {pv_at_opening:.0f} W.",
        "Until the PV inverter has measured the frequency and backed off, the surplus has one place to go. What it does"
        " there is current times the resistance of the cells, on top of an open-circuit voltage that rises steeply"
        " near full charge; the cell that is ahead meets the limit first.",
        "More capacity for the PV power, cells that are balanced, a charge voltage that leaves room for a step of current, a"
        " PV inverter that answers within a second. On the sound pairing the same step ends at {cell_peak_holds:.3f} V"
        " in the highest cell.",
    ),
    Case(
        "contactor",
        "The battery's contactor opens",
        Course("tarn6-scree5", _OVERCHARGED, (), 120.0, 0.005),
        Course("tarn6-corrie5", _OVERCHARGED, (), 120.0, 0.005),
        "the same with tarn6-corrie5, whose PV inverter answers to frequency",
        _contactor,
        (
            Panel("battery current, A", ("battery.current",)),
            Panel("DC link, V", ("dc_link.voltage",), (("DC trip", 62.0),)),
            _BUS,
            _HZ,
            _PV,
        ),
        (-0.1, 0.5),
        "The PV inverter does not answer to frequency, and its trip lies above the shift range; at {opened:.1f} s the"
        " battery's protection opens on {pack:.1f} V and {current:.0f} A. Nothing takes the {surplus:.0f} W any more: the"
        " DC link passes its trip within {trip_after:.1f} ms (peak {link_peak:.1f} V) and the battery inverter lets the bus"
        " go. The PV inverter, still running, lifts the unloaded bus to {bus_peak:.0f} V until its own trip ends it"
        " {pv_after:.0f} ms after the opening. Then the bus is dead. The cells stay live: {cell_side:.1f} V behind an open"
        " contactor.",
        "A DC link holds a few joules. With the battery gone, the difference between what comes and what goes moves its"
        " voltage at once: up under a surplus, down under a deficit.",
        "Do not let it come to that: a PV inverter that backs off, and a trip inside the shift range for one that"
        " cannot. With frequency response the battery ends at {pack_holds:.1f} V and never opens. Surge protection"
        " and loads must bear the bus voltage of those milliseconds.",
    ),
    Case(
        "hunting",
        "Frequency hunting",
        Course("tarn6-corrie5-steep", _PART, ((30.0, "load.power", 300.0),), 150.0, 0.05),
        Course("tarn6-corrie5-steep", _PART, ((30.0, "load.power", 300.0),), 150.0, 0.05,
               {"pv_inverter.island_start": 50.7, "pv_inverter.island_zero": 51.7}),
        "the same slow PV inverter with its power spread over 1 Hz instead of 0.2 Hz",
        _hunting,
        (_HZ, _PV, Panel("battery current, A", ("battery.current",), (("charge limit", 60.0),))),
        (20.0, 120.0),
        "The load falls at 30 s and the charge current has to be held. Frequency and PV power do not come to rest: a minute"
        " later the bus still swings between {low:.2f} and {high:.2f} Hz with a period of {period:.1f} s, PV between {pv_low:.0f} and"
        " {pv_high:.0f} W, and the charge current goes up to {current_high:.0f} A against a limit of 60 A.",
        "Two controllers in one loop. The steeper the curve, the more a small shift moves; the later the PV inverter"
        " measures and answers, the more the battery inverter has overdone by then. Gain and delay together make a"
        " loop that swings by itself.",
        "A flatter curve (the same slow inverter with its power spread over 1 Hz swings by {swing_holds:.2f} Hz), a quicker"
        " frequency meter in the PV inverter, or a slower shift.",
    ),
    Case(
        "transfer-trip",
        "The PV inverter trips at the transfer and stays away",
        Course("tarn6-corrie5-touchy", _ON_GRID, ((10.0, "grid.closed", 0.0),), 160.0, 0.05),
        Course("tarn6-corrie5", _ON_GRID, ((10.0, "grid.closed", 0.0),), 160.0, 0.05),
        "the same with tarn6-corrie5, which rides through",
        _transfer,
        (_BUS, _PV, Panel("battery current, A", ("battery.current",))),
        (0.0, 160.0),
        "The grid goes at 10 s. For {gap:.0f} ms nobody forms the bus; the PV surplus lifts it, and the PV inverter"
        " trips after {trip_after:.0f} ms at {value:.0f} V. It comes back {away:.0f} s after that, and takes {half_power:.0f} s until"
        " it carries 2 kW again; meanwhile the battery gives {from_battery:.0f} W in full sun.",
        "Its voltage trip has no time to wait, and the gap of a transfer is longer than its measuring window. Its"
        " enter-service delay and ramp then run as after any trip.",
        "Ride-through: trip delays longer than the transfer's gap, or momentary cessation. The sound pairing goes"
        " through the same gap with {trips_holds:.0f} trips and {pv_holds:.0f} W a second later.",
    ),
    Case(
        "saw-tooth",
        "Over-frequency trip below the end of the shift range",
        Course("tarn6-scree5-sawtooth", _NEARLY_FULL, (), 900.0, 0.5),
        Course("tarn6-corrie5", _NEARLY_FULL, (), 900.0, 0.5),
        "the same with tarn6-corrie5",
        _sawtooth,
        (_HZ, _PV, Panel("battery, V", ("battery.voltage",))),
        (0.0, 900.0),
        "On a battery that is nearly full the frequency rises until the PV inverter trips at {value:.2f} Hz; frequency falls"
        " back, the PV inverter waits, returns at full power, and the game begins anew: {trips:.0f} trips in 900 s, one every"
        " {apart:.0f} s. On average {kept:.0f} W are left of the sun.",
        "It has no frequency response, so the shift has only one effect on it: the trip, which lies below the end of the"
        " shift range.",
        "A PV inverter with frequency response whose zero lies inside the shift range and its trip above it: the sound"
        " pairing settles at {frequency_holds:.2f} Hz with {trips_holds:.0f} trips.",
    ),
    Case(
        "oversized",
        "PV above the battery inverter's rating",
        Course("tarn6-corrie9", {**_BIG, "pv_source.irradiance": 1000.0}, ((10.0, "load.power", 0.0),), 20.0, 0.005),
        Course("tarn6-corrie5", {**ISLAND, "soc": 0.7, "load.power": 4500.0, "pv_source.irradiance": 1000.0},
               ((10.0, "load.power", 0.0),), 20.0, 0.005),
        "tarn6-corrie5, PV within the rating, with its whole PV power rejected",
        _oversized,
        (
            Panel("battery inverter, kW", ("battery_inverter.power",), (("surge", -9.0),), 1e-3),
            _BUS,
            _HZ,
            _PV,
        ),
        (9.8, 10.6),
        "A load of 8 kW leaves at 10 s with PV at {pv:.0f} W. The battery inverter is to take {taken:.0f} W, above its surge"
        " power of 9 kW, and stops {stopped_after:.0f} ms after the rejection. Left alone the PV inverter lifts the bus to"
        " {bus_peak:.0f} V and trips after {pv_after:.0f} ms. Lights out, with a battery at 70 %.",
        "The frequency can only ask; the PV inverter answers within a second. For that second the battery inverter is a"
        " load of the whole PV power, and its bridge can't be asked for more than it bears, in either direction.",
        "PV rating up to the battery inverter's (common practice). With 5 kW the same rejection ends with"
        " {stops_holds:.0f} stops and {bus_holds:.1f} V.",
    ),
    Case(
        "cold-day",
        "Cold-day over-power",
        Course("tarn6-corrie9", {**_BIG, "pv_source.irradiance": 900.0, "pv_source.temperature": COLD},
               ((10.0, "load.power", 0.0),), 20.0, 0.005),
        Course("tarn6-corrie9", {**_BIG, "pv_source.irradiance": 900.0, "pv_source.temperature": WARM},
               ((10.0, "load.power", 0.0),), 20.0, 0.005),
        "the same pairing on a warm day: cells at 60 degC instead of -5 degC",
        _cold,
        (
            Panel("array, kW", ("pv_source.power",), scale=1e-3),
            Panel("battery inverter, kW", ("battery_inverter.power",), (("surge", -9.0),), 1e-3),
            _BUS,
        ),
        (9.8, 10.6),
        "The same pairing, the same 900 W/m², the same rejection, twice. On a warm day (cells at 60 degC) the array gives"
        " {array_warm:.0f} W and the battery inverter takes up to {taken_holds:.0f} W until the PV inverter has backed off. On"
        " a cold day (cells at -5 degC) the array gives {array_cold:.0f} W, and the battery inverter stops"
        " {stopped_after:.0f} ms after the rejection.",
        "Cell voltage, and power with it, rises as the cells get colder: {volts_warm:.0f} V at the warm array at its maximum power,"
        " {volts_cold:.0f} V at the cold one, which the PV inverter, at its rating, holds above that point."
        " A test on a summer afternoon does not show what a clear winter morning brings.",
        "Size for the coldest clear day, not for the nameplate's 25 degC; test with the array source set to it. Check"
        " the PV inverter's highest DC voltage for the same day: the model does not carry damage.",
    ),
    Case(
        "low-light",
        "Restart cycling in low light",
        Course("tarn6-corrie5-dawn", _DAWN, (), 900.0, 1.0),
        Course("tarn6-corrie5-dawn", _DAWN, (), 900.0, 1.0, {"twin.wake_power": 100.0}),
        "the same PV inverter, waking at 100 W of the array instead of 40 W",
        _low_light,
        (
            Panel("PV power, W", ("pv.power",)),
            Panel("could give, W", ("pv.available",), (("stays on above", 60.0),)),
            Panel("PV state", ("pv_inverter.state",)),
        ),
        (0.0, 900.0),
        "At 14 W/m² the array offers {available:.0f} W at the PV inverter's terminals. It enters service {starts:.0f} times"
        " in 900 s, one every {apart:.0f} s, and gives up {stops:.0f} times. In a quarter of an hour it brings"
        " {energy:.1f} Wh, and wears its relay each time. (State 1: asleep, 2: waiting, 3: feeding, 4: held back, as SunSpec"
        " model 701 numbers them.)",
        "It wakes at an array power that it measures without load, and needs more than that at its terminals to stay"
        " on.",
        "A wake threshold well above the holding one, and a waiting time that grows with each attempt. Waking at"
        " 100 W it makes {starts_holds:.0f} starts in the same light.",
    ),
)  # fmt: skip
