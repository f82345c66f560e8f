"""What was tested is every item (ISO/IEC 17025:2017, 7.8.2.1 g), wherever it stands in the pairing card."""

from benchrunner import data
from benchrunner.report.subject import equipment, settings


def raw(pairing: str) -> bytes:
    return data.find(pairing, "resources", "pairings").read_bytes()


def test_further_pv_inverters_and_a_charge_controller_are_items_too() -> None:
    further = {row["part"]: row for row in equipment(raw("fell15-ridge8-corrie2"))}
    assert (further["PV inverter"]["name"], further["PV inverter (2)"]["name"]) == ("Ridge-8", "Corrie-2")
    assert further["PV inverter (2)"]["serial"] == "HM-C2-0102"
    assert further["PV inverter (2)"]["firmware"] == "1.9.0"
    charger = {row["part"]: row for row in equipment(raw("tarn6-corrie5-beck60"))}["DC PV charger"]
    assert (charger["name"], charger["firmware"]) == ("Beck-60", "1.2.0")
    one = [row["part"] for row in equipment(raw("tarn6-corrie5"))]
    assert one == ["Battery inverter", "PV inverter", "Battery", "Array"]


def test_their_settings_are_listed_as_well() -> None:
    said = {
        group["part"]: {row["what"]: row["says"] for row in group["rows"]}
        for group in settings(raw("fell15-ridge8-corrie2"))
    }
    assert said["PV inverter (2)"]["rated power"] == "2.2 kW"
    assert "Array (2)" in said
    assert "DC PV charger" in [group["part"] for group in settings(raw("tarn6-corrie5-beck60"))]
