"""A PV inverter whose bus nobody forms any more leaves it in time, whatever load is there, on every shipped pairing.

2 s: IEEE 1547-2018, 8.1.1, and IEC 62116:2014; shares of rated power: IEC 62116:2014, conditions A, B and C.
"""

from pathlib import Path

import pytest

from benchrunner.cards.pairing import read_pairing
from benchrunner.sim import simulate

PAIRINGS = Path(__file__).resolve().parents[2] / "resources" / "pairings"
NAMES = sorted(path.stem for path in PAIRINGS.glob("*.toml"))


@pytest.mark.parametrize("name", NAMES)
def test_alone_it_is_gone_within_two_seconds(name: str, vectors) -> None:
    card = read_pairing(PAIRINGS / f"{name}.toml")
    within = vectors("trip-ride-through")["TR-17"]["expected"]
    nominal = card.battery_inverter.rated_voltage
    for share in (low for low, _ in vectors("trip-ride-through")["TR-18"]["expected"].values()):
        start = {
            "soc": 0.5, "grid.closed": 0.0, "pv_inverter.on": 1.0, "pv_source.irradiance": 9.0 * share,
            "load.power": 0.3 * share / 100 * card.battery_inverter.rated_power,
        }  # fmt: skip
        feeds = float(simulate(card, until=5.0, step=1.0, start=start)["pv.power"].iloc[-1])
        for load in (0.9, 1.0, 1.1):
            alone = simulate(
                card,
                [(5.0, "relays.inverter_enable", 0)],
                until=9.0,
                step=0.01,
                start={**start, "load.power": load * feeds},
            )
            after = alone.loc[5.0 + within :]
            assert (after["pv.power"] == 0.0).all() and (after["bus.voltage"] < 0.02 * nominal).all(), (
                share,
                load,
            )
            pushed = alone.loc[5.0:6.0]
            assert pushed["bus.frequency"].max() > card.battery_inverter.rated_frequency + 1.0
