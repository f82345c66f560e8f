"""Profiles from CSV: what they order, that the plant follows them, and that bad files are refused with all their faults."""

import pytest

from benchrunner.errors import Refused
from benchrunner.sim import simulate
from benchrunner.sim.profile import MOST_ROWS, parse_profile, read_profile, unit_of
from benchrunner.sim.settings import SETTINGS

GOOD = """time,load.power,pv_source.irradiance
0,500,0
10,2500,
20.5,1000,400
"""


def test_orders_hold_until_the_next_row():
    profile = parse_profile(GOOD)
    assert profile.times == (0.0, 10.0, 20.5)
    assert profile.orders() == [
        (0.0, "load.power", 500.0), (0.0, "pv_source.irradiance", 0.0), (10.0, "load.power", 2500.0),
        (20.5, "load.power", 1000.0), (20.5, "pv_source.irradiance", 400.0),
    ]  # fmt: skip


def test_straight_lines_in_steps():
    orders = [o for o in parse_profile(GOOD).orders(ramps=2.5) if o[1] == "load.power"]
    assert orders[:5] == [
        (0.0, "load.power", 500.0), (2.5, "load.power", 1000.0), (5.0, "load.power", 1500.0),
        (7.5, "load.power", 2000.0), (10.0, "load.power", 2500.0),
    ]  # fmt: skip


def test_the_plant_follows_the_file(tmp_path):
    path = tmp_path / "day.csv"
    path.write_text(GOOD, encoding="utf-8")
    table = simulate("tarn6-corrie5", until=30.0, step=1.0, profile=path, start={"soc": 0.6})
    assert table["load.power"].loc[5.0] == pytest.approx(500.0, rel=0.02)
    assert table["load.power"].loc[15.0] == pytest.approx(2500.0, rel=0.02)
    assert table["load.power"].loc[25.0] == pytest.approx(1000.0, rel=0.02)
    assert table["pv.available"].loc[25.0] > 1500.0


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "does not begin with the column"),
        ("t,load.power\n0,1\n", "does not begin with the column"),
        ("time\n0\n", "has 1 columns"),
        ("time,load.colour\n0,1\n", "is no setting of the plant"),
        ("time,load.power,load.power\n0,1,2\n", "twice"),
        ("time,load.power\n", "has no rows"),
        ("time,load.power\n0,nan\n", "is 'nan'"),
        ("time,load.power\n0,1e999\n", "is '1e999'"),
        ("time,load.power\n0,__import__\n", "is '__import__'"),
        ("time,load.power\n0,-5\n", "is -5 W, out of range"),
        ("time,load.power (A)\n0,5\n", "is in A"),
        ("time (W),load.power\n0,5\n", "is no time by its unit"),
        ("time,load.power (smoots)\n0,5\n", "is no unit"),
        ("time,load.power\n0,1\n0,2\n", "goes back"),
        ("time,load.power\n-1,1\n", "give a time from 0"),
        ("time,load.power\n0,1,2\n", "has 3 cells under 2 heads"),
        ('time,load.power\n0,"1\n', "is no CSV"),
        ("time,load.power\n" + "".join(f"{k},1\n" for k in range(MOST_ROWS + 1)), "more than"),
    ],
)
def test_bad_files_are_refused(text, words):
    with pytest.raises(Refused) as refusal:
        parse_profile(text, "day.csv")
    assert words in str(refusal.value)


def test_all_faults_at_once_with_their_lines():
    with pytest.raises(Refused) as refusal:
        parse_profile("time,load.power,load!\n0,x,1\n5,1,1\n4,1,1\n", "day.csv")
    assert [p.where for p in refusal.value.problems] == [
        "day.csv:1",
        "day.csv:2, load.power",
        "day.csv:4, time",
    ]
    with pytest.raises(Refused) as refusal:
        parse_profile("time,load.power,load.colour\n0,-1,1\n5,1e6,1\n", "day.csv")
    assert [p.where for p in refusal.value.problems] == [
        "day.csv:1, load.colour", "day.csv:2, load.power", "day.csv:3, load.power",
    ]  # fmt: skip


def test_units_stand_in_the_head():
    profile = parse_profile(
        "time (min),load.power (kW),pv_source.temperature (degC)\n1,2.5,25\n2,,\n3,1,30\n"
    )
    assert profile.times == (60.0, 180.0)
    assert profile.values["load.power"] == pytest.approx((2500.0, 1000.0))
    assert profile.values["pv_source.temperature"] == pytest.approx((298.15, 303.15))


@pytest.mark.parametrize("name", SETTINGS)
def test_every_setting_of_the_plant_has_its_unit(name):
    known = SETTINGS[name]
    if unit_of(name) == "1":
        assert (known.least, known.most) == (0.0, 1.0), "only switches and ratios are without a unit"
    else:
        assert not known.is_switch


def test_files_that_are_none(tmp_path):
    with pytest.raises(Refused, match="cannot be read"):
        read_profile(tmp_path / "none.csv")
    (tmp_path / "odd.csv").write_bytes(b"time,load.power\n0,\xff\xfe\n")
    with pytest.raises(Refused, match="no UTF-8"):
        read_profile(tmp_path / "odd.csv")
