"""The running order: parameters, arithmetic, loops, repeats, timings; and what is refused on the way."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from small_procedure import SMALL, bent, pairing_values, read_text

from benchrunner.errors import Refused
from benchrunner.procedure.order import unroll
from benchrunner.procedure.running import PlannedGuard
from benchrunner.units import Quantity

VALUES = pairing_values()
EACH = 'each = { level = ["25 %", "50 %", "0 %"], name_of = [1, 2, 3] }'


def refusals(text: str, **overrides: str) -> list[str]:
    with pytest.raises(Refused) as caught:
        unroll(read_text(text), VALUES, overrides)
    return [str(problem) for problem in caught.value.problems]


def test_everything_is_a_number_in_si() -> None:
    order = unroll(read_text(SMALL), VALUES)
    one = order.steps[0]
    assert [o.value for o in one.do] == [2000.0, 0.0]
    assert [o.unit for o in one.do] == ["W", "1"]
    assert one.until is not None
    assert (one.until.kind, one.until.within, one.until.hold) == ("settled", pytest.approx(0.02), 5.0)
    assert one.at_most == 30.0
    assert one.if_not == "fail"  # it judges
    limit = one.checks[0].high
    assert limit == pytest.approx(1.02 * VALUES["pairing.battery_inverter.absorption_voltage"].value)
    assert one.checks[0].limit_text == "at most limit"
    assert order.parameters == {"size": (2000.0, "W"), "times": (3.0, "1")}
    assert order.guards == (
        PlannedGuard("frequency", "bus.frequency", None, 53.0, "Hz", 1.0, "too fast", "procedure"),
    )
    assert order.roles["battery"] == ("dc_meter", "battery_monitor")


def test_repeats_unroll_with_ids_groups_and_a_random_delay() -> None:
    order = unroll(read_text(SMALL), VALUES)
    jolts = order.steps[1:]
    assert [s.id for s in jolts] == ["again[1]/jolt", "again[2]/jolt", "again[3]/jolt"]
    assert [(s.group, s.repeat) for s in jolts] == [("again", 1), ("again", 2), ("again", 3)]
    assert all(s.checks[0].id == "peak" and s.checks[0].needs == "waveform" for s in jolts)
    assert all(s.random_delay == pytest.approx(0.02) for s in jolts)  # one period of 50 Hz
    assert order.steps[0].random_delay == 0.0
    (worst,) = order.group_checks
    assert (worst.group, worst.check, worst.over, worst.high, worst.unit) == (
        "again",
        "peak",
        "worst",
        450.0,
        "V",
    )
    assert jolts[0].capture is not None
    assert jolts[0].capture.trigger.channel == "bus.voltage"
    assert jolts[0].capture.trigger.change == pytest.approx(0.03 * 230.0)


@pytest.mark.parametrize("times", [1, 2, 7])
def test_the_number_of_repeats_is_a_parameter(times: int) -> None:
    order = unroll(read_text(SMALL), VALUES, {"times": str(times)})
    assert len(order.steps) == 1 + times


def test_loops_run_their_values_side_by_side() -> None:
    text = bent(
        ('repeats = "times"', EACH), ('["load.power", "0 W"]', '["load.power", "level * name_of * size"]')
    )
    order = unroll(read_text(text), VALUES)
    assert [s.do[0].value for s in order.steps[1:]] == [500.0, 2000.0, 0.0]
    assert all(s.random_delay == 0.0 for s in order.steps)  # a loop over values is no repeat of one thing


def test_a_shuffled_loop_is_a_permutation_and_repeatable() -> None:
    listed = ", ".join(f'"{n} W"' for n in range(20))
    text = bent(
        ('repeats = "times"', f"each = {{ level = [{listed}] }}\nshuffled = true"),
        ('["load.power", "0 W"]', '["load.power", "level"]'),
    )
    procedure = read_text(text)

    def levels(seed: int) -> list[float]:
        return [s.do[0].value for s in unroll(procedure, VALUES, seed=seed).steps[1:]]

    assert levels(1) == levels(1)
    assert levels(1) != levels(2)
    assert sorted(levels(1)) == list(range(20))


def test_groups_nest() -> None:
    text = (
        SMALL
        + """
[[steps]]
id = "outer"
title = "Outer"
each = { level = ["1 kW", "2 kW"] }

  [[steps.steps]]
  id = "inner"
  title = "Inner"
  repeats = 2

    [[steps.steps.steps]]
    id = "set"
    title = "Set"
    do = [["load.power", "level"]]
"""
    )
    order = unroll(read_text(text), VALUES)
    inner = order.steps[4:]
    assert [s.id for s in inner] == [f"outer[{a}]/inner[{b}]/set" for a in (1, 2) for b in (1, 2)]
    assert [s.group for s in inner] == ["outer[1]/inner"] * 2 + ["outer[2]/inner"] * 2
    assert len({s.id for s in order.steps}) == len(order.steps)


def test_too_many_steps_are_refused() -> None:
    inner = 'repeats = 1000\nid = "b"\ntitle = "b"\n[[steps.steps.steps]]\nid = "c"\ntitle = "c"\nrepeats = 1000\n'
    text = SMALL + f'\n[[steps]]\nid = "a"\ntitle = "a"\nrepeats = 1000\n[[steps.steps]]\n{inner}[[steps.steps.steps.steps]]\nid = "d"\ntitle = "d"\n'  # fmt: skip
    with pytest.raises(Refused, match="beyond 2000 steps"):
        read_text(text)


@pytest.mark.parametrize(
    ("name", "given_text", "parts"),
    [
        ("load", "3 apples", ["--set load", "not a parameter", "size, times"]),
        ("siz", "3 kW", ["--set siz", "did you mean 'size'"]),
        ("size", "3 apples", ["--set size=3 apples", "unit"]),
        ("size", "3 V", ["--set size=3 V", "is in V; size is in W", "W"]),
        ("size", "3", ["bare number", "in W"]),
        ("size", "60 kW", ["outside its range of 0.000 W to 6.000 kW"]),
        ("size", "-1 W", ["outside its range"]),
        ("size", "", ["empty"]),
        ("size", "9**9**9**9 W", ["power"]),
        ("size", "(" * 5000, ["5,000 characters"]),
        ("size", "nan W", ["--set size=nan W"]),
        ("size", "__import__('os')", ["--set size"]),
        ("times", "2.5", ["whole number"]),
        ("times", "0", ["outside its range"]),
        ("times", "3 V", ["is in V"]),
        ("size", "size + 1 W", ["size"]),
    ],
)
def test_settings_are_checked_with_where_what_and_mend(name: str, given_text: str, parts: list[str]) -> None:
    found = "\n".join(refusals(SMALL, **{name: given_text}))
    for part in parts:
        assert part in found, found
    assert "mend: " in found


def test_a_setting_may_use_the_pairing() -> None:
    order = unroll(read_text(SMALL), VALUES, {"size": "50 % * pairing.battery_inverter.rated_power"})
    assert order.parameters["size"] == (3000.0, "W")
    assert order.steps[0].do[0].value == 3000.0


def test_every_wrong_setting_is_told() -> None:
    assert len(refusals(SMALL, size="3 V", times="99", other="1")) == 3


def test_a_card_without_a_needed_value_is_named() -> None:
    lacking = {k: v for k, v in VALUES.items() if not k.endswith("absorption_voltage")}
    with pytest.raises(Refused, match="which the pairing card does not give"):
        unroll(read_text(SMALL), lacking)


def test_bench_values_are_used() -> None:
    text = bent(('high = "limit"', 'high = "bench.highest + 1 V"'))
    order = unroll(read_text(text), {**VALUES, "bench.highest": Quantity(57.0, "V")})
    assert order.steps[0].checks[0].high == 58.0
    with pytest.raises(Refused, match="bench card does not give"):
        unroll(read_text(text), VALUES)
    with pytest.raises(Refused, match=r"is in A; V is needed|cannot be added"):
        unroll(read_text(text), {**VALUES, "bench.highest": Quantity(57.0, "A")})


def test_a_bench_without_a_role_is_refused() -> None:
    bench = {
        "load": ["ac_load"],
        "bus": ["ac_meter"],
        "battery": ["dc_meter"],
        "grid": ["grid_switch"],
        "relays": ["relay_board"],
    }
    with pytest.raises(Refused) as caught:
        unroll(read_text(SMALL), VALUES, {}, bench)
    whats = [p.what for p in caught.value.problems]
    assert any("does not have" in w for w in whats)
    assert any("must be a dc_meter and a battery_monitor" in w for w in whats)
    assert len(whats) == 2


def test_percentages_with_a_base() -> None:
    text = bent(
        ('within = "20 mHz"', 'within = "0.1 %", base = "pairing.battery_inverter.rated_frequency"'),
        ('high = "limit"', 'low = "80 %"\nhigh = "101 %"\nbase = "50 V"'),
    )
    order = unroll(read_text(text), VALUES)
    assert order.steps[0].until is not None
    assert order.steps[0].until.within == pytest.approx(0.05)
    assert (order.steps[0].checks[0].low, order.steps[0].checks[0].high) == (
        pytest.approx(40.0),
        pytest.approx(50.5),
    )


def test_every_form_of_condition() -> None:
    forms = {
        '{ above = "bus.voltage", value = "200 V", for = "2 s" }': ("above", 200.0, None),
        '{ below = "bus.voltage", value = "50 V" }': ("below", None, 50.0),
        '{ between = "bus.voltage", low = "90 %", high = "110 %", base = "230 V" }': (
            "between",
            207.0,
            253.0,
        ),
        '{ is = "bus.voltage", value = "230 V", within = "1 V" }': ("is", 230.0, None),
        '{ elapsed = "2 min" }': ("elapsed", None, None),
        '{ all = [{ elapsed = "1 s" }, { above = "bus.voltage", value = "1 V" }] }': ("all", None, None),
        '{ any = [{ elapsed = "1 s" }, { below = "bus.voltage", value = "1 V" }] }': ("any", None, None),
    }
    for text, (kind, low, high) in forms.items():
        order = unroll(
            read_text(bent(('{ settled = "bus.frequency", within = "20 mHz", for = "5 s" }', text), ('at_most = "30 s"', 'at_most = "5 min"'))), VALUES
        )  # fmt: skip
        until = order.steps[0].until
        assert until is not None
        assert until.kind == kind
        assert until.low == (None if low is None else pytest.approx(low))
        assert until.high == (None if high is None else pytest.approx(high))
        assert len(until.parts) == (2 if kind in ("all", "any") else 0)
        assert until.text


def test_ramps_questions_and_preparing_steps() -> None:
    text = bent(
        ('["load.power", "size"], ["grid.closed", false]', '{ set = "load.power", to = "size", over = "10 s", every = "1 s", together = true }'),
        ('until = { settled = "bus.frequency", within = "20 mHz", for = "5 s" }', 'ask = { text = "Ready?", choices = ["yes", "no"] }\nuntil = { answered = true }'),
        ('high = "limit"', 'high = "limit"\ntitle = "Top"\nlast = "10 s"\nover = "settled"\nk = 3.0'),
    )  # fmt: skip
    step = unroll(read_text(text), VALUES).steps[0]
    order = step.do[0]
    assert (order.ramp, order.every, order.together) == (10.0, 1.0, True)
    assert step.ask is not None
    assert step.ask.choices == ("yes", "no")
    check = step.checks[0]
    assert (check.last, check.window, check.k, check.title) == (10.0, "settled", 3.0, "Top")


@given(st.floats(min_value=0.0, max_value=6000.0))
def test_any_value_in_range_reaches_the_order(watts: float) -> None:
    text = f"{watts:.6f} W"
    order = unroll(read_text(SMALL), VALUES, {"size": text})
    assert math.isclose(order.steps[0].do[0].value, float(f"{watts:.6f}"), abs_tol=1e-9)
