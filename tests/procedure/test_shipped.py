"""The shipped procedures: read, unroll for every shipped pairing, and hold what the trade asks of them."""

from itertools import pairwise
from pathlib import Path

import pytest
from small_procedure import pairing_values

from benchrunner.cards.bench import read_bench
from benchrunner.cards.pairing import read_pairing
from benchrunner.data import folder
from benchrunner.procedure.guards import merge_guards
from benchrunner.procedure.names import PAIRING_UNITS
from benchrunner.procedure.order import unroll
from benchrunner.procedure.reader import read
from benchrunner.procedure.running import PlannedGuard, RunningOrder

SEVEN = [
    "export-on-grid",
    "grid-loss",
    "island-load-steps",
    "load-rejection",
    "charge-to-full",
    "discharge-to-target",
    "grid-return",
]
SHIPPED = sorted(path.stem for path in folder("procedures").glob("*.toml"))
PAIRINGS = sorted(path.stem for path in (folder("resources") / "pairings").glob("*.toml"))
BENCH = read_bench(folder("resources") / "benches" / "simulated.toml")


def order_of(name: str, pairing: str = "tarn6-corrie5", **settings: str) -> RunningOrder:
    values = {**pairing_values(pairing), **BENCH.values()}
    return unroll(read(folder("procedures") / f"{name}.toml"), values, settings)


def test_the_seven_are_there() -> None:
    assert set(SEVEN) <= set(SHIPPED)


@pytest.mark.parametrize("pairing", PAIRINGS)
def test_the_table_of_pairing_values_is_the_cards(pairing: str) -> None:
    for name, quantity in pairing_values(pairing).items():
        assert PAIRING_UNITS.get(name) == quantity.unit, name


@pytest.mark.parametrize("pairing", PAIRINGS)
@pytest.mark.parametrize("name", SHIPPED)
def test_each_unrolls_for_each_pairing(name: str, pairing: str) -> None:
    order = order_of(name, pairing)
    assert order.steps
    assert len({step.id for step in order.steps}) == len(order.steps)
    assert len({(step.id, check.id) for step in order.steps for check in step.checks}) == sum(
        len(step.checks) for step in order.steps
    )
    for step in order.steps:
        assert 0 < step.at_most < 86400
        assert step.expected <= step.at_most + sum(order.moving for order in step.do)


@pytest.mark.parametrize("pairing", PAIRINGS)
@pytest.mark.parametrize("name", SHIPPED)
def test_guards_only_tighten(name: str, pairing: str) -> None:
    card = read_pairing(folder("resources") / "pairings" / f"{pairing}.toml")
    cards = [
        guard if isinstance(guard, PlannedGuard) else PlannedGuard(**guard)  # type: ignore[arg-type]
        for guard in card.guards()
    ]
    merge_guards(cards, order_of(name, pairing).guards)


@pytest.mark.parametrize("name", SHIPPED)
def test_each_says_why_and_warns(name: str) -> None:
    order = order_of(name)
    assert len(order.purpose) > 60
    assert order.basis
    warned = " ".join(order.cautions).lower()
    for word in (
        "hazardous ac voltage",
        "dc arcs",
        "lithium battery",
        "no emergency stop",
        "local codes",
        "maker's",
    ):
        assert word in warned, word
    assert "backfeed" in warned or "no isolation" in warned
    for step in order.steps:
        for check in step.checks:
            assert check.basis, check.id
            assert check.title, check.id


@pytest.mark.parametrize("name", SHIPPED)
def test_every_parameter_has_a_range_and_says_what_it_is(name: str) -> None:
    for parameter in read(folder("procedures") / f"{name}.toml").parameters.values():
        assert len(parameter.range) == 2
        assert parameter.says


def measures(order: RunningOrder) -> set[tuple[str, str]]:
    return {(check.measure, check.of) for step in order.steps for check in step.checks}


def test_load_rejection_judges_what_the_trade_asks() -> None:
    order = order_of("load-rejection")
    drop = next(step for step in order.steps if step.id == "drop")
    assert drop.capture is not None
    assert drop.requires is not None
    assert drop.if_not == "fail"
    wanted = {
        ("half_cycle_maximum", "bus.voltage"), ("peak", "bus.voltage"), ("peak", "battery.voltage"),
        ("maximum", "battery.cell_voltage_max"), ("maximum", "battery.current"), ("duration_above", "battery.current"),
        ("maximum", "bus.frequency"), ("slope", "bus.frequency"), ("energy", "battery.power"),
        ("minimum", "pv_inverter.state"), ("half_cycle_minimum", "bus.voltage"),
    }  # fmt: skip
    assert wanted <= measures(order)
    transient = {check.measure for check in drop.checks}
    assert not transient & {"deviation", "mean"}, "a steady tolerance is never applied to a transient"
    assert order.start[0].channel == "battery.soc"
    assert order.start[0].low >= 0.9


def test_grid_loss_is_repeated_and_its_gap_comes_from_the_wave() -> None:
    order = order_of("grid-loss")
    loses = [step for step in order.steps if step.id.endswith("/lose")]
    assert len(loses) >= 3
    assert all(step.random_delay > 0 for step in loses)
    assert all(check.needs == "waveform" for step in loses for check in step.checks if check.measure == "gap")
    assert {(check.check, check.over) for check in order.group_checks} >= {
        ("gap", "worst"),
        ("gap", "spread"),
    }
    assert len([s for s in order_of("grid-loss", repeats="7").steps if s.id.endswith("/lose")]) == 7


def test_charge_to_full_holds_a_quarter_of_an_hour_without_load() -> None:
    order = order_of("charge-to-full")
    hold = next(step for step in order.steps if step.id == "hold")
    assert hold.until is not None
    assert hold.until.hold == 900.0
    assert all(
        order.value == 0.0 for step in order.steps for order in step.do if order.setting.startswith("load.")
    )
    assert order.start[0].high < 0.9


def test_island_load_steps_go_down_to_none() -> None:
    levels = [step.do[0].value for step in order_of("island-load-steps").steps if step.id.endswith("/step")]
    assert 0.0 in levels
    assert all(a != b for a, b in pairwise(levels)), "a step without a change has no edge"


def test_grid_return_waits_and_feeds_nothing_back() -> None:
    order = order_of("grid-return")
    found = measures(order)
    assert {("minimum", "grid.power"), ("phase_jump", "bus.voltage"), ("time_to", "grid.current")} <= found
    frequencies = [o.value for step in order.steps for o in step.do if o.setting == "grid_source.frequency"]
    assert any(abs(f - 50.0) > 1.0 for f in frequencies)
    assert any(0.0 < abs(f - 50.0) < 0.5 for f in frequencies)


def test_the_folder_holds_procedures_and_the_profiles_that_they_follow() -> None:
    followed = {
        name for path in SHIPPED for name in read(folder("procedures") / f"{path}.toml").profile_names
    }
    others = {path.name for path in Path(folder("procedures")).iterdir() if path.suffix != ".toml"}
    assert others == followed
