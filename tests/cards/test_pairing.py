"""The pairing card: the shipped ones, the names that procedures use, preflight in words, and bad cards refused."""

import pytest

from benchrunner.cards import reading
from benchrunner.cards.pairing import PairingCard, fit_pairing, read_pairing
from benchrunner.cards.preflight import preflight
from benchrunner.data import find, folder
from benchrunner.errors import Refused

NAMES = sorted(path.stem for path in (folder("resources") / "pairings").glob("*.toml"))
KEYS = {
    "battery_inverter": """rated_power rated_voltage rated_frequency charge_current absorption_voltage float_voltage
        absorption_time tail_current shift_start shift_stop shift_maximum transfer_time grid_wait dc_trip_high
        dc_trip_low surge_power""",
    "pv_inverter": """rated_power grid_start grid_zero grid_trip island_start island_zero island_trip response_time
        enter_service_delay ramp_time trip_voltage_high trip_voltage_low""",
    "battery": """cells capacity nominal_voltage charge_voltage_limit charge_current_limit protection_voltage
        protection_delay cell_protection_voltage over_current over_current_delay protection_voltage_low""",
    "array": "peak_power",
}


def card(name="tarn6-corrie5"):
    return read_pairing(find(name, "resources", "pairings"))


def text(name="tarn6-corrie5"):
    return find(name, "resources", "pairings").read_text(encoding="utf-8")


def problems(source):
    with pytest.raises(Refused) as refusal:
        fit_pairing(reading.parse(source.encode(), "card.toml"))
    return refusal.value.problems


def test_the_pairings_are_there():
    assert NAMES == [
        "dune9-spit7",
        "fell15-ridge12",
        "fell15-ridge8-corrie2",
        "tarn6-corrie5",
        "tarn6-corrie5-beck60",
        "tarn6-corrie5-dawn",
        "tarn6-corrie5-lean",
        "tarn6-corrie5-moraine50",
        "tarn6-corrie5-steep",
        "tarn6-corrie5-touchy",
        "tarn6-corrie9",
        "tarn6-scree5",
        "tarn6-scree5-sawtooth",
    ]


@pytest.mark.parametrize("name", NAMES)
def test_every_name_that_procedures_use_has_a_value(name):
    values = card(name).values()
    for part, keys in KEYS.items():
        for key in keys.split():
            assert f"pairing.{part}.{key}" in values
    assert values["pairing.battery.capacity"].unit == "C"
    assert values["pairing.battery_inverter.shift_stop"].unit == "Hz"
    assert values["pairing.pv_inverter.enter_service_delay"].unit == "s"


def test_values_are_si():
    values = card().values()
    assert values["pairing.battery_inverter.rated_power"].value == 6000.0
    assert values["pairing.battery_inverter.transfer_time"].value == pytest.approx(0.015)
    assert values["pairing.battery.capacity"].value == pytest.approx(720_000.0)
    assert values["pairing.battery.cells"].value == 16.0


def test_expected_pv_power_is_the_lesser_of_array_and_inverter():
    sound = card()
    assert sound.values()["pairing.expected_pv_power"].value == pytest.approx(0.9 * 5320.0)
    small = sound.model_copy(
        update={"pv_inverter": sound.pv_inverter.model_copy(update={"rated_power": 3000.0})}
    )
    assert small.values()["pairing.expected_pv_power"].value == 3000.0


def test_pv_power_of_a_pairing_is_of_all_its_pv_inverters():
    two = card("fell15-ridge8-corrie2")
    first, second = (inverter for inverter, _ in two.pv_inverters)
    rated = two.values()["pairing.pv_rated_power"].value
    assert rated == first.rated_power + second.rated_power > first.rated_power
    assert two.values()["pairing.pv_inverter.rated_power"].value == first.rated_power
    offered = two.values()["pairing.expected_pv_power"].value
    assert offered == pytest.approx(sum(min(0.9 * a.peak_power, i.rated_power) for i, a in two.pv_inverters))


@pytest.mark.parametrize("name", ["tarn6-corrie5", "dune9-spit7", "fell15-ridge12"])
def test_sound_pairings_have_nothing_against_them(name):
    assert preflight(card(name)) == []


def test_preflight_says_why_the_weak_ones_fail():
    outside, inside = (
        " ".join(preflight(card("tarn6-scree5"))),
        " ".join(preflight(card("tarn6-scree5-sawtooth"))),
    )
    assert "no frequency-power response" in outside
    assert "outside the shift range" in outside
    assert "saw-tooth" not in outside
    assert "inside the shift range" in inside
    assert "saw-tooth" in inside


@pytest.mark.parametrize(
    ("part", "change", "words"),
    [
        ("pv_inverter", {"profile": "grid"}, "above the highest bus frequency"),
        ("pv_inverter", {"island_zero": 51.9}, "only its reserve"),
        ("pv_inverter", {"island_trip": 51.65}, "before its power is down to zero"),
        ("pv_inverter", {"island_start": 50.05}, "within 0.1 Hz of nominal"),
        ("pv_inverter", {"rated_power": 8000.0}, "1:1 rule"),
        ("battery", {"charge_current_limit": 50.0}, "above its charge limit"),
        ("battery", {"charge_voltage_limit": 55.0}, "above the charge voltage limit"),
        ("battery_inverter", {"dc_trip_high": 58.0}, "not above the protection"),
        ("battery_inverter", {"dc_trip_low": 46.0}, "below the DC trip"),
        ("battery_inverter", {"throw_off": 52.1}, "throws PV off"),
        ("battery_inverter", {"low_battery_voltage": 50.0, "restart_voltage": 51.0}, "so it cycles"),
        ("battery", {"chemistry": "lead-acid"}, "cannot take a load rejection"),
    ],
)
def test_each_rule_of_the_preflight_speaks(part, change, words):
    sound = card()
    changed = sound.model_copy(update={part: getattr(sound, part).model_copy(update=change)})
    assert any(words in finding for finding in preflight(changed)), preflight(changed)


def test_preflight_looks_at_every_pv_inverter_and_every_phase():
    mixed = card("fell15-ridge8-corrie2")
    assert preflight(mixed) == []
    more = mixed.further_pv[0].inverter.model_copy(update={"rated_power": 5000.0, "responds": False})
    changed = mixed.model_copy(
        update={"further_pv": (mixed.further_pv[0].model_copy(update={"inverter": more}),)}
    )
    said = " ".join(preflight(changed))
    assert "on L2, above the 5.0 kW" in said
    assert "Corrie-2 has no frequency-power response" in said


@pytest.mark.parametrize(
    ("name", "old", "new", "words"),
    [
        ("fell15-ridge12", 'rated_power = "12 kW"', 'rated_power = "12 kW"\nconnection = "L1-L2"', "has not"),
        ("tarn6-corrie5", 'rated_power = "5 kW"', 'rated_power = "5 kW"\nconnection = "L2"', "has not"),
        ("tarn6-corrie5", 'grid_wait = "30 s"', 'grid_wait = "30 s"\nequalise_voltage = "58 V"', "lead-acid"),
        (
            "tarn6-corrie5",
            'grid_wait = "30 s"',
            'grid_wait = "30 s"\ngrid_voltage_window = ["110 %", "90 %"]',
            "empty window",
        ),
        ("tarn6-corrie5-lean", 'restart_voltage = "51.0 V"', 'restart_voltage = "49.0 V"', "at or below"),
    ],
)
def test_what_does_not_fit_the_bus_or_the_battery_is_refused(name, old, new, words):
    source = text(name)
    assert old in source
    assert any(words in str(problem) for problem in problems(source.replace(old, new, 1)))


def test_guards_are_the_equipment_limits():
    from benchrunner.procedure.running import PlannedGuard

    guards = {g["id"]: PlannedGuard(**g) for g in card().guards()}
    assert guards["battery-voltage"].high == 58.4
    assert guards["cell-voltage"].high == 3.65
    assert guards["charge-current"].high == 150.0
    assert guards["charge-current"].low == -150.0
    assert guards["bus-frequency"].high > 52.6  # the throw-off must not trip it
    assert all(g.origin == "pairing card" and g.delay > 0 for g in guards.values())


def test_all_problems_at_once_with_file_line_and_mend():
    source = (
        text().replace('rated_power = "6 kW"', 'rated_power = "6 apples"').replace("cells = 16", "cells = 0")
    )
    source = source.replace("float_voltage", "flaot_voltage")
    found = problems(source)
    assert len(found) == 4  # the misspelt key is unknown and the right one is missing
    assert [p.where.split(":")[0] for p in found] == ["card.toml"] * 4
    lines = source.splitlines()
    apples = next(p for p in found if "rated_power" in p.where)
    assert "apples" in lines[int(apples.where.split(":")[1]) - 1]
    assert any("float_voltage" in p.mend for p in found if "not a known key" in p.what)


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('charge_current = "60 A"', 'charge_current = 60', "bare number"),
        ('charge_current = "60 A"', 'charge_current = "-60 A"', "too small"),
        ('charge_current = "60 A"', 'charge_current = "60 V"', "not a current"),
        ('shift_stop = "51.7 Hz"', 'shift_stop = "50.6 Hz"', "shift_start above"),
        ('dc_trip_high = "62 V"', 'dc_trip_high = "55 V"', "absorption_voltage above"),
        ('["49.5 Hz", "50.2 Hz"]', '["50.2 Hz", "49.5 Hz"]', "empty window"),
        ('chemistry = "LFP"', 'chemistry = "PbO2"', "LFP"),
        ("format = 1", "format = 2", "format"),
        ('source = "data sheet, Highmoor Training Laboratory (invented)"', 'source = ""', "source"),
    ],
)  # fmt: skip
def test_bad_figures_are_refused(old, new, words):
    source = text()
    assert old in source
    found = problems(source.replace(old, new, 1))
    assert any(words in str(problem) for problem in found), [str(p) for p in found]


def test_twin_part_replaces_defaults_and_knows_its_keys():
    read = fit_pairing(reading.parse((text() + '\n[twin]\nidle_loss = "80 W"\n').encode(), "card.toml"))
    assert read.twin.idle_loss == 80.0
    assert read.twin.linear_loss == card().twin.linear_loss
    assert problems(text() + '\n[twin]\nidle_los = "80 W"\n')


def test_schema_shows_quantities_as_text():
    schema = PairingCard.model_json_schema()
    power = schema["$defs"]["BatteryInverterPart"]["properties"]["rated_power"]
    assert power["type"] == "string"


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("transfer_time", '"1e300 s"'),
        ("surge_time", '"30 d"'),
        ("absorption_time", '"1e300 s"'),
        ("rated_power", '"1e12 W"'),
        ("rebulk_soc", '"101 %"'),
        ("rebulk_soc", "1e308"),
    ],
)
def test_what_no_pairing_can_have_is_a_slip(key, value):
    lines = [f"{key} = {value}" if line.startswith(f"{key} = ") else line for line in text().splitlines()]
    found = [problem for problem in problems("\n".join(lines)) if key in problem.where]
    assert found
    assert "at most" in found[0].mend
