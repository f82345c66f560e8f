"""Comparing: what is called worse, and how often wrongly; records of one run, of a weak pairing, with checks missing."""

import shutil
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import record_sample
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from benchrunner.core.messages import Event
from benchrunner.errors import Refused
from benchrunner.record.compare import CANNOT_TELL, IMPROVED, NO_CHANGE, WORSE, Shift, compare, judge_shift
from benchrunner.record.compare.changes import _limit
from benchrunner.record.compare.rows import gathered
from benchrunner.record.compare.shift import Side, student
from benchrunner.record.facts import Verbatim
from benchrunner.record.journal import Journal
from benchrunner.record.seal import seal

CARD = b'title = "Tarn-6 with Corrie-5"\n[battery_inverter]\nname = "Tarn-6"\nfirmware = "%s"\nfloat_voltage = "%s"\n'


def write(folder: Path, name: str, values: dict[str, Any], **facts: Any) -> Path:
    """A record whose checks came to `values`: id -> value, or (value, verdict, more)."""
    known = record_sample.facts(seed=len(list(folder.iterdir())) + 1)
    fields = {n: getattr(known, n) for n in known.__dataclass_fields__} | facts
    journal = Journal.create(folder / f"{name}-run", type(known)(**fields))
    for seq, item in enumerate(record_sample.inputs(20), 1):
        journal.input(seq, item)
    for output in record_sample.outputs():
        if getattr(output, "kind", "") != "check":
            journal.output(output)
            continue
        given_ = values.get(output.data["id"])
        if given_ is None:
            continue
        value, verdict, more = given_ if isinstance(given_, tuple) else (given_, "pass", {})
        journal.output(Event(output.at, "check", {**output.data, "value": value, "verdict": verdict, **more}))
    if "battery-peak" in values:  # the group's own check, over its one repeat
        peak = next(
            o.data for o in record_sample.outputs() if getattr(o, "data", {}).get("id") == "battery-peak"
        )
        more = {"step": "g", "id": "worst-peak", "measure": "worst of battery-peak", "of": "g"}
        journal.output(Event(7.55, "check", {**peak, **more, "value": values["battery-peak"]}))
    journal.event(record_sample.ENDED)
    journal.close()
    return seal(folder / f"{name}-run", folder / f"{name}.bench")


def by_id(found: Any) -> dict[str, Shift]:
    return {row.id: row.result for row in found.rows}


def test_two_runs_of_one_thing_show_no_change(tmp_path: Path) -> None:
    baseline = write(tmp_path, "a", {"steady": 230.03, "battery-peak": 57.2})
    record = write(tmp_path, "b", {"steady": 230.31, "battery-peak": 57.25})
    found = compare(record, baseline)
    assert {row.result.verdict for row in found.rows} == {NO_CHANGE} and (found.verdict, found.exit) == (
        NO_CHANGE,
        0,
    )
    assert [(c.group, c.name) for c in found.changes] == [("run", "seed")]
    # U of a shift with k = 2 from two U = 0.61 V: JCGM 100, 5.1.2 by hand
    assert by_id(found)["steady"].expanded == pytest.approx(0.61 * 2**0.5, rel=1e-12)
    # of three compared checks, 1.667 % each in one direction
    z = stats.norm.ppf(1 - 0.05 / 3)
    assert by_id(found)["steady"].needed == pytest.approx(z * 0.305 * 2**0.5, rel=1e-9)
    assert [step.id for step in found.steps] == ["island", "drop"]
    drop = found.steps[1]
    assert (drop.now.start, drop.now.end) == (3.1, 7.3) and "battery.voltage" in drop.channels


def test_worse_and_improved_go_by_the_margin_and_not_by_the_sign(tmp_path: Path) -> None:
    """`steady` lies between 218.5 V and 241.5 V: away from the middle is worse on either side."""
    baseline = write(tmp_path, "a", {"steady": 230.0, "battery-peak": 57.2})
    for value, verdict in ((236.0, WORSE), (224.0, WORSE), (230.2, NO_CHANGE)):
        found = compare(write(tmp_path, f"r{value}", {"steady": value, "battery-peak": 57.2}), baseline)
        assert by_id(found)["steady"].verdict == verdict, value
        assert found.exit == (1 if verdict == WORSE else 0)
    off = write(tmp_path, "off", {"steady": 236.0, "battery-peak": 57.2})
    better = compare(baseline, off)
    assert by_id(better)["steady"].verdict == IMPROVED and (better.verdict, better.exit) == (IMPROVED, 0)
    mirrored = compare(write(tmp_path, "mirrored", {"steady": 224.0, "battery-peak": 57.2}), off)
    row = by_id(mirrored)["steady"]
    assert row.verdict == NO_CHANGE and row.shift == -12.0 and "as far from its limits" in row.reason


def test_from_pass_to_fail_is_worse_however_small_the_shift(tmp_path: Path) -> None:
    baseline = write(tmp_path, "a", {"steady": 241.4, "battery-peak": 57.2})
    record = write(tmp_path, "b", {"steady": (241.6, "fail", {}), "battery-peak": 57.2})
    row = by_id(compare(record, baseline))["steady"]
    assert row.verdict == WORSE and "within what is not told from chance" in row.reason
    back = by_id(compare(baseline, record))["steady"]
    assert back.verdict == NO_CHANGE and "from fail to pass" in back.reason
    none = write(tmp_path, "c", {"steady": (None, "fail", {}), "battery-peak": 57.2})
    assert by_id(compare(none, baseline))["steady"].verdict == WORSE


def test_a_missing_check_cannot_be_told(tmp_path: Path) -> None:
    baseline = write(tmp_path, "a", {"steady": 230.0, "battery-peak": 57.2})
    record = write(tmp_path, "b", {"steady": 230.0})  # battery-peak was not judged
    found = compare(record, baseline)
    row = by_id(found)["battery-peak"]
    assert row.verdict == CANNOT_TELL and "not judged now" in row.reason
    assert (found.verdict, found.exit) == (CANNOT_TELL, 3)
    assert by_id(found)["worst-peak"].verdict == CANNOT_TELL
    bare = {"steady": (233.0, "pass", {"uncertainty": None}), "battery-peak": 57.2}
    row = by_id(compare(write(tmp_path, "c", bare), baseline))["steady"]
    assert row.verdict == CANNOT_TELL and "no uncertainty" in row.reason


def test_what_hangs_on_the_point_of_the_wave_is_only_told_by_repeats(tmp_path: Path) -> None:
    peaks = (57.0, 57.5, 57.1, 57.4, 57.2)
    baseline, *repeats = (
        write(tmp_path, f"a{k}", {"steady": 230.0, "battery-peak": v}) for k, v in enumerate(peaks)
    )
    record = write(tmp_path, "b", {"steady": 230.0, "battery-peak": 57.45})
    once = by_id(compare(record, baseline))["battery-peak"]
    assert once.verdict == CANNOT_TELL and "give --repeats" in once.reason
    found = compare(record, baseline, repeats)
    row = by_id(found)["battery-peak"]
    assert row.verdict == NO_CHANGE and row.by == "repeatability" and row.repeated == 6
    assert row.spread == pytest.approx(np.std(peaks, ddof=1)) and row.reference == pytest.approx(
        np.mean(peaks)
    )
    # Student's interval for one more observation, by the reference library
    low, high = stats.t.interval(1 - 2 * 0.05 / 3, 4, 0, np.std(peaks, ddof=1) * np.sqrt(1 + 1 / 5))
    assert row.needed == pytest.approx(high) and low == pytest.approx(-high)
    far = write(tmp_path, "c", {"steady": 230.0, "battery-peak": 58.3})
    few = by_id(compare(far, baseline, repeats))[
        "battery-peak"
    ]  # such values are not spread as Student's t takes it
    assert few.verdict == CANNOT_TELL and "5 earlier values of the 19 that it takes" in few.reason
    repeats += [
        write(tmp_path, f"more{k}", {"steady": 230.0, "battery-peak": 57.0 + 0.035 * k}) for k in range(14)
    ]
    assert by_id(compare(far, baseline, repeats))["battery-peak"].verdict == WORSE
    near = write(tmp_path, "d", {"steady": 230.0, "battery-peak": 56.1})
    assert by_id(compare(near, baseline, repeats))["battery-peak"].verdict == IMPROVED


def test_other_instruments_are_said_and_their_uncertainty_counted(tmp_path: Path) -> None:
    meter = dict(record_sample.facts().instruments[0])
    values = {"steady": 230.0, "battery-peak": 57.2}
    baseline, *repeats = (write(tmp_path, f"a{k}", {**values, "steady": 230.0 + 0.01 * k}) for k in range(4))
    moved = {**values, "steady": 230.4}
    same = by_id(compare(write(tmp_path, "s", moved), baseline, repeats))["steady"]
    assert same.verdict == WORSE and same.by == "repeatability"
    unnamed = compare(
        write(tmp_path, "u", moved, instruments=({**meter, "certificate": ""},)), baseline, repeats
    )
    assert not [c for c in unnamed.changes if c.group == "instruments"]  # a baseline of before there were any
    other = compare(
        write(
            tmp_path, "o", moved, instruments=({**meter, "calibrated": "2026-02-20", "certificate": "C-2"},)
        ),
        baseline,
        repeats,
    )
    row = by_id(other)["steady"]
    assert row.verdict == NO_CHANGE and row.by == "uncertainty and repeatability"
    assert any("Other instruments" in line and "bus" in line for line in other.assumptions)
    assert [(c.name, c.before, c.now) for c in other.changes if c.group == "instruments"] == [
        ("bus calibrated", "2026-01-10", "2026-02-20"),
        ("bus certificate", "none", "C-2"),
    ]


def test_firmware_settings_limits_and_procedure_that_changed_are_listed(tmp_path: Path) -> None:
    values: dict[str, Any] = {"steady": 230.0, "battery-peak": 57.2}
    before = Verbatim("p.toml", CARD % (b"2.4.1", b"55.2 V"), "Tarn-6 with Corrie-5")
    now = Verbatim("p.toml", CARD % (b"2.5.0", b"55.0 V"), "Tarn-6 with Corrie-5")
    baseline = write(tmp_path, "a", values, pairing=before)
    wider = {**values, "steady": (230.0, "pass", {"high": 245.0})}
    changed = Verbatim("load-rejection.toml", b"format = 1\n# changed\n")
    found = compare(write(tmp_path, "b", wider, pairing=now, procedure=changed), baseline)
    listed = {(c.group, c.name): (c.before, c.now) for c in found.changes}
    assert listed["equipment", "battery_inverter.firmware"] == ("2.4.1", "2.5.0")
    assert listed["settings", "battery_inverter.float_voltage"] == ("55.2 V", "55.0 V")
    assert ("procedure", "sha256") in listed
    assert listed["limits", "island/steady"] == ("218.5 V to 241.5 V, simple", "218.5 V to 245 V, simple")
    assert found.changes[0].group == "equipment" and found.data()["changes"][0]["now"] == "2.5.0"


def test_a_change_deep_in_a_long_setting_is_listed_and_shown(tmp_path: Path) -> None:
    """Two curves alike for the first 120 characters are not alike, and what is shown of them is where they differ."""
    values: dict[str, Any] = {"steady": 230.0, "battery-peak": 57.2}

    def card(last: float, responds: str) -> Verbatim:
        curve = [*(round(50.2 + k / 100, 2) for k in range(40)), last]
        text = f'title = "T"\n[pv_inverter]\nresponds = {responds}\ncurve = {curve}\nnote = "{"x" * 300}"\n'
        return Verbatim("p.toml", text.encode(), "T")

    baseline = write(tmp_path, "a", values, pairing=card(51.9, "false"))
    found = compare(write(tmp_path, "b", values, pairing=card(52.4, "true")), baseline)
    listed = {c.name: (c.before, c.now) for c in found.changes if c.group == "settings"}
    assert set(listed) == {"pv_inverter.responds", "pv_inverter.curve"}
    assert listed["pv_inverter.responds"] == ("no", "yes")
    before, now = listed["pv_inverter.curve"]
    assert before.startswith("...") and before.endswith("50.59, 51.9]") and now.endswith("50.59, 52.4]")


def test_where_nothing_was_compared_no_rate_is_given(tmp_path: Path) -> None:
    baseline = write(tmp_path, "a", {"steady": 230.0})
    found = compare(write(tmp_path, "b", {"battery-peak": 57.2}), baseline)
    assert found.verdict == CANNOT_TELL
    assert [line for line in found.assumptions if "compared checks" in line] == []
    assert found.assumptions[0].startswith("No check of the two was held against the other's")


@pytest.mark.parametrize(
    ("check", "said"),
    [
        ({"high": 403200.0, "unit": "J"}, "at most 112 Wh"),
        ({"low": 0.92, "unit": "1", "of": "battery.soc"}, "at least 92 %"),
        (
            {"low": 273.15, "high": 318.15, "unit": "K", "of": "battery.temperature"},
            "0 \u00b0C to 45 \u00b0C",
        ),
        ({"high": 0.05, "unit": "1", "of": "battery.soc", "measure": "span"}, "at most 5 % points"),
        ({"high": 3, "unit": "1", "of": "battery.soc", "measure": "trips"}, "at most 3"),
        ({"high": 5.0, "unit": "K", "of": "battery.temperature", "measure": "span"}, "at most 5 K"),
        ({"high": 3, "unit": "1"}, "at most 3"),
        ({"high": 5.0, "unit": "furlong"}, "at most 5 furlong"),
        ({"high": None, "low": "x", "unit": None}, "no limit"),
    ],
)
def test_limits_are_said_as_the_tables_say_them(check: dict[str, Any], said: str) -> None:
    assert _limit(check) == said


def test_a_run_that_a_guard_ended_is_worse(tmp_path: Path) -> None:
    values: dict[str, Any] = {"steady": 230.0, "battery-peak": 57.2}
    baseline = write(tmp_path, "a", values)
    record = write(tmp_path, "b", values)
    ended = {"finished": False, "ended_by": "guard", "reason": "battery too high"}
    journal = record_sample.write(tmp_path / "c-run", ended=False, close=False)
    journal.event(Event(7.6, "ended", {"exit": 4, "verdict": "pass", "safe": "confirmed", **ended}))
    journal.close()
    stopped = seal(tmp_path / "c-run", tmp_path / "c.bench")
    assert compare(record, baseline).rows[0].result.verdict == NO_CHANGE
    first = compare(stopped, baseline).rows[0]
    assert first.result.verdict == WORSE and "battery too high" in first.result.reason


def test_what_cannot_be_compared_is_refused(tmp_path: Path) -> None:
    values = {"steady": 230.0, "battery-peak": 57.2}
    baseline, record = write(tmp_path, "a", values), write(tmp_path, "b", values)
    raw = bytearray(record.read_bytes())
    raw[len(raw) // 2] ^= 1
    broken = tmp_path / "broken.bench"
    broken.write_bytes(raw)
    copy = shutil.copy(baseline, tmp_path / "copy.bench")
    foreign = write(tmp_path, "f", values, pairing=Verbatim("x.toml", b'title = "Fell-15"\n', "Fell-15"))
    plan = record_sample.plan(1)
    order = replace(plan.order, parameters={"load_before": (2000.0, "W")})
    milder = write(tmp_path, "m", values, plan=replace(plan, order=order))
    for given_, says in [
        ((broken, baseline), "does not verify"),
        ((copy, baseline), "is record and baseline at once"),
        ((record, baseline, [copy]), "is the baseline, not one more repeat"),
        ((record, baseline, [record]), "is the record, not one more repeat"),
        (
            (record, baseline, [foreign]),
            r"another pairing \(x.toml [0-9a-f]{8}, the baseline has .*.toml [0-9a-f]{8}\)",
        ),
        ((record, baseline, [milder]), r"parameter load_before was 2000 W, in the baseline 3000 W"),
        ((tmp_path / "absent.bench", baseline), "absent.bench"),
    ]:
        with pytest.raises(Refused, match=says) as refused:
            compare(*given_)
        assert all(p.where and p.what and p.mend for p in refused.value.problems)


def test_repeats_of_a_group_are_gathered_and_loops_are_not() -> None:
    assert gathered("outage[2]/lose", "outage", 2) == "outage[*]/lose"
    assert gathered("levels[2]/set", "", 0) == "levels[2]/set"
    assert gathered("outage[12]/lose", "outage", 1) == "outage[12]/lose"


# ---- how often it is wrong


@pytest.mark.parametrize("repeats", [0, 2, 5])
def test_the_rate_of_false_alarms_stays_near_five_in_a_hundred(repeats: int) -> None:
    """Monte Carlo: nothing changed, ten checks, 4000 comparisons. Counted: comparisons in which any check is called worse.

    Without repeats every result errs by its own standard uncertainty, as T_U takes it; with repeats by a scatter that
    nobody knows, over a systematic part common to both. Binomial spread of 4000 trials at 5 %: 0.34 %.
    """
    rng = np.random.default_rng(20260302 + repeats)
    trials, checks, alarms = 4000, 10, 0
    for _ in range(trials):
        worse = False
        for _ in range(checks):
            if repeats:
                common, noise = rng.normal(0, 1.0), rng.normal(0, 0.3, repeats + 2)
                now, before = (
                    Side((common + noise[0],), 1.0, "pass"),
                    Side(tuple(common + noise[1:]), 1.0, "pass"),
                )
            else:
                now, before = (Side((v,), 1.0, "pass") for v in rng.normal(0, 1.0, 2))
            found = judge_shift(
                now, before, None, 100.0, alarm=0.05 / checks, same_instruments=bool(repeats), digit=1e-9
            )
            worse |= found.verdict == WORSE
        alarms += worse
    assert 0.04 <= alarms / trials <= 0.06


@pytest.mark.parametrize("runs", [0, 4])
def test_values_within_a_run_are_no_repeats_of_it(runs: int) -> None:
    """Monte Carlo: what scatters from run to run is ten times what scatters within one (a meter read on one day).

    With repeats the rate of false alarms is that of Student's t of the runs, without them at most that of the uncertainty, which
    holds what differs between runs. Were each value within a run one more repeat, half of the comparisons and more would be wrong.
    """
    rng = np.random.default_rng(20261126 + runs)
    trials, checks, alarms = 2000, 5, 0
    for _ in range(trials):
        worse = False
        for _ in range(checks):
            inner = rng.normal(0, 1.0, (runs + 2, 1)) + rng.normal(0, 0.1, (runs + 2, 3))
            now, before = (
                Side(tuple(side.mean(axis=1)), 1.0, "pass", tuple(map(tuple, side)))
                for side in (inner[:1], inner[1:])
            )
            found = judge_shift(
                now, before, None, 100.0, alarm=0.05 / checks, same_instruments=True, digit=1e-9
            )
            worse |= found.verdict == WORSE
        alarms += worse
    low, high = (0.04, 0.06) if runs else (0.03, 0.055)
    assert low <= alarms / trials <= high


def test_two_readings_that_agree_do_not_scatter_by_nothing() -> None:
    """By hand: the last digit of 0.1 alone gives s = 0.1 / sqrt(12) (JCGM 100:2008, F.2.2.1)."""
    found = judge_shift(
        Side((50.3,), 0.5, "pass"),
        Side((50.0, 50.0), 0.5, "pass"),
        None,
        52.0,
        same_instruments=True,
        digit=0.1,
    )
    assert found.spread == pytest.approx(0.0288675, rel=1e-5)
    assert found.needed == pytest.approx(stats.t.ppf(0.95, 1) * 0.0288675 * 1.5**0.5, rel=1e-5)
    assert found.verdict == WORSE


def test_a_time_is_told_by_repeats_alone() -> None:
    """How long a charge takes hangs on where it began, which no uncertainty of the time holds."""
    now, once = Side((1640.0,), 0.06, "pass"), Side((1616.0,), 0.06, "pass")
    found = judge_shift(now, once, None, 4680.0, derived=True)
    assert found.verdict == CANNOT_TELL and "give --repeats" in found.reason
    assert judge_shift(now, once, None, 4680.0).verdict == WORSE
    before = Side((1616.0, 1619.0, 1614.0, 1615.0), 0.06, "pass")
    assert judge_shift(now, before, None, 4680.0, derived=True, same_instruments=True).verdict == WORSE
    near = judge_shift(
        Side((1620.0,), 0.06, "pass"), before, None, 4680.0, derived=True, same_instruments=True
    )
    assert near.verdict == NO_CHANGE


def test_a_change_that_is_there_is_found() -> None:
    """Five repeats before, one run now, moved by twelve times their scatter: found in nearly every trial."""
    rng = np.random.default_rng(7)
    hits = 0
    for _ in range(300):
        noise = rng.normal(0, 0.3, 7)
        found = judge_shift(
            Side((noise[0] + 3.6,), 1.0, "pass"), Side(tuple(noise[1:]), 1.0, "pass"), None, 100.0,
            alarm=0.005, same_instruments=True, digit=1e-9,
        )  # fmt: skip
        hits += found.verdict == WORSE
    assert hits >= 295


FINITE = st.floats(-1e3, 1e3)


@given(
    st.lists(FINITE, min_size=1, max_size=4),
    st.lists(FINITE, min_size=1, max_size=4),
    st.floats(0.01, 10),
    st.booleans(),
)
def test_a_low_limit_mirrors_a_high_one(now: list[float], before: list[float], u: float, same: bool) -> None:
    def side(values: list[float], sign: float) -> Side:
        return Side(tuple(sign * v for v in values), u, "pass")

    high = judge_shift(side(now, 1), side(before, 1), None, 50.0, same_instruments=same)
    low = judge_shift(side(now, -1), side(before, -1), -50.0, None, same_instruments=same)
    assert (high.verdict, high.needed, high.margin_shift) == (low.verdict, low.needed, low.margin_shift)


@given(FINITE, st.floats(0, 100), st.floats(0.01, 10))
def test_further_from_the_limit_is_never_worse(value: float, step: float, u: float) -> None:
    found = judge_shift(Side((value - step,), u, "pass"), Side((value,), u, "pass"), None, 2e3)
    assert found.verdict in (NO_CHANGE, IMPROVED)


def test_student_is_that_of_the_tables() -> None:
    """ISO 2854 table, one-sided 95 %: 6.314, 2.920, 2.353, 1.812 (also any table of Student's t)."""
    assert [round(student(0.95, n), 3) for n in (1, 2, 3, 10)] == [6.314, 2.920, 2.353, 1.812]
