"""Before a run a PV-array simulator is given the array of the pairing under test, while nothing is switched on."""

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from benchrunner.errors import LinkError, Refused

if TYPE_CHECKING:
    from benchrunner.bench.instrument import Instrument
    from benchrunner.cards.pairing import PairingCard
    from benchrunner.cards.pairing_parts import ArrayPart

POINTS = ("open_circuit_voltage", "short_circuit_current", "maximum_power_voltage", "maximum_power_current")


def set_curves(instruments: Mapping[str, "Instrument"], pairing: "PairingCard") -> list[dict[str, Any]]:
    """Give each PV source whose card knows a curve that of its array, each value read back.

    One row for each, as the record keeps it: the instrument, the four points (V, A), as they were read back. Raises
    `Refused` where a source cannot follow its array: it would be another pairing that is tested.
    """
    rows, problems = [], []
    for name, instrument in instruments.items():
        if (
            instrument.driver.klass != "pv_source"
            or not {*POINTS, "curve"} <= instrument.driver.settings.keys()
        ):
            continue
        array = _array(pairing, instrument.part.role)
        if array is None:
            continue
        try:
            rows.append({"instrument": name, **_set(instrument, points(array))})
        except LinkError as error:
            problems.append(error.problem)
    if problems:
        raise Refused(problems)
    return rows


def points(array: "ArrayPart") -> dict[str, float]:
    """Open circuit, short circuit and maximum power point of the whole array at standard test conditions, V and A."""
    voltages = array.module_open_circuit_voltage, array.module_voltage
    currents = array.module_short_circuit_current, array.module_current
    open_circuit, voltage = (value * array.modules_in_series for value in voltages)
    short_circuit, current = (value * array.strings for value in currents)
    return dict(zip(POINTS, (open_circuit, short_circuit, voltage, current), strict=True))


def _array(pairing: "PairingCard", role: str) -> "ArrayPart | None":
    arrays = [array for _, array in pairing.pv_inverters]
    found = {"pv_source": arrays[0], **{f"pv_source_{k}": array for k, array in enumerate(arrays, 1)}}
    if pairing.dc_pv is not None:
        found["dc_source"] = pairing.dc_pv.array
    return found.get(role)


def _set(instrument: "Instrument", wanted: Mapping[str, float]) -> dict[str, float]:
    held: dict[str, float] = {}
    if instrument.read_back("curve") == 1.0:
        now = {name: instrument.read_back(name) for name in wanted}
        if all(instrument.followed(name, wanted[name], value) for name, value in now.items()):
            return {name: value for name, value in now.items() if value is not None}
    for name, value in (*wanted.items(), ("curve", 1.0)):
        instrument.send(name, value)
        back = instrument.read_back(name)
        if not instrument.followed(name, value, back):
            what = f"{name} was set to {value:g} and reads {back:g}"
            raise LinkError(
                instrument.where, what, "see the instrument's manual; some take it with the output off alone"
            )
        if name != "curve":
            held[name] = value if back is None else back
    return held
