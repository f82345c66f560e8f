"""Orders that follow a profile file: what is planned from it, and that every fault is told with its file, line and column."""

import math
from pathlib import Path

import pytest
from small_procedure import bent, pairing_values

from benchrunner.cards.reading import parse
from benchrunner.errors import Refused
from benchrunner.procedure.model import Procedure
from benchrunner.procedure.order import unroll
from benchrunner.procedure.reader import check_file, read, read_bytes, read_document
from benchrunner.procedure.running import PlannedOrder
from benchrunner.procedure.steps import MOST_VALUES

DAY = "time (min),load.power (kW),load.share (%)\n0,2.4,40\n1,,\n1.5,0.6,10\n"
FOLLOWS = ('["load.power", "size"]', '{ set = "load.power", profile = "day.csv" }')


def made(text: str, day: str | None = DAY) -> Procedure:
    return read_bytes(text.encode(), "small.toml", {} if day is None else {"day.csv": day.encode()})


def said(text: str, day: str | None = DAY) -> str:
    with pytest.raises(Refused) as refusal:
        made(text, day)
    return str(refusal.value)


def planned(text: str, day: str = DAY) -> PlannedOrder:
    return unroll(made(text, day), pairing_values()).steps[0].do[0]


def test_a_column_becomes_values_at_times_in_si() -> None:
    order = planned(bent(FOLLOWS))
    assert order.profile is not None
    assert order.profile.times == (0.0, 90.0)
    assert order.profile.values == pytest.approx((2400.0, 600.0))
    assert order.profile.lines == (2, 4)
    assert (order.value, order.moving, order.profile.straight) == (600.0, 90.0, False)
    assert order.text == "load.power as day.csv says: 2 values in 90 s, 600 W to 2.4 kW, in steps"


def test_percent_is_of_the_base() -> None:
    given = '{ set = "load.power", profile = "day.csv", base = "size", every = "5 s", together = true }'
    order = planned(bent((FOLLOWS[0], given)), "time (s),load.power (%)\n0,40\n30,100\n")
    assert order.profile is not None
    assert order.profile.values == pytest.approx((800.0, 2000.0))  # size is 2 kW
    assert (order.profile.straight, order.every, order.together, order.profile.base) == (
        True,
        5.0,
        True,
        2000.0,
    )


def test_the_step_is_expected_to_take_as_long_as_its_file() -> None:
    steps = unroll(made(bent(FOLLOWS)), pairing_values()).steps
    assert steps[0].expected == 90.0 + 10.0


@pytest.mark.parametrize(
    ("day", "words"),
    [
        (None, "small.toml:38: steps[1].do[1].profile: 'day.csv' is not there"),
        ("time (s),bus.power (W)\n0,1\n", "day.csv has no column 'load.power'"),
        ("time (s),load.power (V)\n0,1\n", "gives load.power in V"),
        ("time (s),load.power\n0,1\n", "gives load.power without a unit"),
        ("time (s),load.power (%)\n0,1\n", "in %, and the order does not say of what"),
        ("time,load.power (W)\n0,1\n", "does not say in what its times are"),
        ("time (s),load.power (W)\n0,1\n0.01,2\n", "line 3 of day.csv comes 0.01 s after"),
        ("time (s),load.power (W)\n0,1\n5,two\n", "day.csv:3, load.power: is 'two'"),
        ("time (s),load.power (W)\n5,1\n5,2\n", "day.csv:3, time: goes back"),
        ("time (s),load.power (W)\n0,1,2\n", "day.csv:2: has 3 cells under 2 heads"),
        ("time (s),load.power (W)\n0,=1+1\n", "no number"),
        ("time (s),load.power (W)\n0,1e309\n", "no number"),
        ("time (s),load.power (W)\n" + "".join(f"{k},1\n" for k in range(50_001)), "more than 50,000 rows"),
        ("time (s),load.power (W)\n" + "0" * 4_000_000, "more than 4,000,000 bytes"),
        ("", "does not begin with the column `time`"),
    ],
)  # fmt: skip
def test_faults_of_the_file(day: str | None, words: str) -> None:
    assert words in said(bent(FOLLOWS), day)


@pytest.mark.parametrize(
    ("order", "words"),
    [
        ('{ set = "load.power" }', "has neither a value nor a profile"),
        ('{ set = "load.power", to = "1 W", profile = "day.csv" }', "has a value and a profile"),
        ('{ set = "load.power", profile = "day.csv", over = "5 s" }', "has 'over' beside a profile"),
        ('{ set = "load.power", to = "1 W", base = "size" }', "has 'base' beside a value"),
        ('{ set = "load.power", profile = "day.csv", base = "size" }', "base: is of no use"),
        ('{ set = "load.on", profile = "day.csv" }', "lets the switch 'load.on' follow a profile"),
        ('{ set = "load.power", profile = "../day.csv" }', "profile: ('../day.csv') has a form"),
        ('{ set = "load.power", profile = "/etc/day.csv" }', "has a form"),
        ('{ set = "load.power", profile = "day.txt" }', "has a form"),
    ],
)
def test_faults_of_the_order(order: str, words: str) -> None:
    assert words in said(bent((FOLLOWS[0], order)))


def test_all_faults_at_once_in_file_and_procedure() -> None:
    text = said(bent(FOLLOWS, ('high = "450 V"', 'high = "450 W"')), "time (s),load.power (kW)\n0,x\n1,y\n")
    for words in ("day.csv:2", "day.csv:3", "450 W"):
        assert words in text, words


def test_values_are_bounded_over_all_repeats() -> None:
    half = MOST_VALUES // 2
    day = "time (s),load.power (W)\n" + "".join(f"{k},1\n" for k in range(half))
    jolt = ('["load.power", "0 W"]', '{ set = "load.power", profile = "day.csv" }')
    assert f"beyond {MOST_VALUES}" in said(bent(jolt), day)  # three times
    twice = made(bent(jolt, ("value = 3", "value = 2")), day)
    order = unroll(twice, pairing_values())
    with pytest.raises(Refused, match=f"beyond {MOST_VALUES}"):
        unroll(twice, pairing_values(), {"times": "3"})
    assert sum(len(o.profile.times) for step in order.steps for o in step.do if o.profile) == 2 * half


def test_the_reader_takes_the_file_beside_the_procedure_and_no_other(tmp_path: Path) -> None:
    (tmp_path / "here").mkdir()
    path = tmp_path / "here" / "small.toml"
    path.write_text(bent(FOLLOWS), encoding="utf-8")
    assert "is not there" in str(check_file(path)[0])
    (tmp_path / "elsewhere.csv").write_text(DAY, encoding="utf-8")
    (tmp_path / "here" / "day.csv").symlink_to(tmp_path / "elsewhere.csv")
    assert "is not there" in str(check_file(path)[0])
    (tmp_path / "here" / "day.csv").unlink()
    (tmp_path / "here" / "day.csv").write_bytes(b"\xef\xbb\xbf" + DAY.replace("\n", "\r\n").encode())
    profiles = read(path).profiles
    assert profiles is not None
    assert profiles["day.csv"].columns["load.power"].values == pytest.approx((2400.0, 600.0))


def test_without_the_file_a_broken_procedure_says_only_its_own_faults() -> None:
    document = parse(bent(FOLLOWS, ('title = "One"', "")).encode(), "small.toml")
    with pytest.raises(Refused) as refusal:
        read_document(document)
    assert [problem.what for problem in refusal.value.problems] == ["is missing"]


def test_a_base_that_only_the_cards_know_is_no_fault() -> None:
    base = "pairing.battery_inverter.rated_power"
    given = f'{{ set = "load.power", profile = "day.csv", base = "{base}" }}'
    text = bent((FOLLOWS[0], given))
    order = planned(text, "time (s),load.power (%)\n0,50\n")
    assert order.value == pytest.approx(3000.0)
    assert not math.isnan(order.value)
