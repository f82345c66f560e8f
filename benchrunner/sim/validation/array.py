"""The array: published operating points, and pvlib's own chain of functions on the same module."""

from collections.abc import Iterator

from benchrunner.sim.array import PvArray
from benchrunner.sim.validation.rows import Row, Table, library, published

CELLS = {"A": 60, "B": 60}
KELVIN = 273.15


def table() -> Table:
    """All rows."""
    says = (
        "Single-diode model after De Soto 2006 through pvlib; one irradiance and one temperature for the whole array: no shading,"
        " no mismatch. 0 to 1600 W/m^2, -40 to 100 degC."
    )
    return Table("PV array", says, (*points(), *directly()))


def module(letter: str) -> PvArray:
    """A module of the public data set."""
    values = published()[{"A": "PV-01", "B": "PV-02"}[letter]]["expected"]
    return PvArray(
        values["V_oc_ref"], values["I_sc_ref"], 1.0, 1.0, values["alpha_sc"] * (1 - values["Adjust"] / 100) / values["I_sc_ref"],
        CELLS[letter], parameters=tuple(values[k] for k in ("I_L_ref", "I_o_ref", "R_s", "R_sh_ref", "a_ref")),
    )  # fmt: skip


def points() -> Iterator[Row]:
    for name in ("PV-04", "PV-05", "PV-06", "PV-09", "PV-10", "PV-12", "PV-15"):
        case = published()[name]
        given, expected = case["input"], case["expected"]
        array = module(given["module"])
        where = f"{name}: module {given['module']}, {given['G_eff']} W/m^2, {given['Tcell_C']} degC"
        power, voltage, _ = array.operating_point(given["G_eff"], given["Tcell_C"] + KELVIN)
        open_circuit = float(array.curve(given["G_eff"], given["Tcell_C"] + KELVIN)[1][0])
        source = "pvlib 0.16.1, calcparams_cec and singlediode (published point)"
        yield Row(f"{where}: maximum power", power, expected["p_mp"], 1e-4 * expected["p_mp"], "W", source)
        yield Row(f"{where}: its voltage", voltage, expected["v_mp"], 1e-3 * expected["v_mp"], "V", source)
        yield Row(
            f"{where}: open circuit", open_circuit, expected["v_oc"], 1e-4 * expected["v_oc"], "V", source
        )


def directly() -> Iterator[Row]:
    """The training roof's array at conditions that no published point has, by pvlib called directly."""
    import pvlib

    from benchrunner.sim.array import BAND_GAP, BAND_GAP_CHANGE, single_diode

    array = PvArray(41.1, 11.60, 34.5, 11.01, 0.0005, 66, 14)
    p = single_diode(array)
    for irradiance, celsius in ((1200.0, -10.0), (900.0, 45.0), (150.0, 10.0), (30.0, 5.0)):
        found = pvlib.pvsystem.calcparams_desoto(
            irradiance,
            celsius,
            0.0005 * 11.60,
            p["a_ref"],
            p["I_L_ref"],
            p["I_o_ref"],
            p["R_sh_ref"],
            p["R_s"],
            BAND_GAP,
            BAND_GAP_CHANGE,
        )
        theirs = pvlib.pvsystem.singlediode(*found, method="lambertw")
        power, voltage, _ = array.operating_point(irradiance, celsius + KELVIN)
        source = f"pvlib {library('pvlib')}, calcparams_desoto and singlediode (Lambert W)"
        where = f"14 modules, {irradiance:g} W/m^2, {celsius:g} degC"
        expected = 14 * float(theirs["p_mp"])
        yield Row(f"{where}: maximum power", power, expected, 1e-4 * expected, "W", source)
        yield Row(
            f"{where}: its voltage",
            voltage,
            14 * float(theirs["v_mp"]),
            14e-3 * float(theirs["v_mp"]),
            "V",
            source,
        )
