"""Reading procedures: what is right is read as it stands, what is wrong is named with file, line, key and mend."""

import re
import time
from pathlib import Path

import pytest
from small_procedure import SMALL, bent, problems, read_text

from benchrunner.errors import Problem, Refused
from benchrunner.procedure.reader import check_file, read

HERE = Path(__file__).parent


def only(text: str) -> Problem:
    found = problems(text)
    assert len(found) == 1, found
    return found[0]


def line_of(text: str, part: str) -> int:
    return next(number for number, line in enumerate(text.split("\n"), 1) if part in line)


def test_the_small_one_is_right() -> None:
    assert problems(SMALL) == []


def test_the_example_of_the_design_reads_exactly_as_it_stands() -> None:
    procedure = read(HERE / "example.toml")
    drop = procedure.steps[2]
    assert procedure.roles["battery"] == "dc_meter"
    assert procedure.start["battery.soc"] == ["92 %", "97 %"]
    assert drop.requires is not None and drop.requires.kind == "above"
    assert drop.until is not None and drop.until.base == "pairing.pv_inverter.rated_power"
    assert drop.capture is not None and drop.capture.hold == "5 s"
    assert (drop.do[0].set, drop.do[0].to) == ("load.power", "0 W")
    assert drop.checks[0].rule == "guarded"


# (change, line that is named, part of what, part of mend)
WRONG = [
    (('load = "ac_load"', 'load = "ac_laod"'), "ac_laod", "unknown class 'ac_laod'", "'ac_load'"),
    (('["load.power", "size"]', '["laod.power", "size"]'), "laod", "unknown role 'laod'", "'load'"),
    (('["load.power", "size"]', '["load.pwer", "size"]'), "pwer", "'load.pwer' does not exist", "'power'"),
    (('["load.power", "size"]', '["bus.power", "size"]'), "bus.power", "does not exist", "cannot be told"),
    (('["load.power", "size"]', '["load.power", "seize"]'), "seize", "unknown name 'seize'", "'size'"),
    (('["load.power", "size"]', '["load.power", "230 V"]'), "230 V", "is in V; W is needed", "2.4 kW"),
    (('["load.power", "size"]', '["load.power", 5]'), "power", "no unit; W is needed", "2.4 kW"),
    (('["load.power", "size"]', '["load.power", true]'), "power", "to true", "W"),
    (('["load.power", "size"]', '["load.power"]'), "load.power", "not an order", "role.setting"),
    (("[\"grid.closed\", false]", '["grid.closed", "0 V"]'), "grid.closed", "switch", "true"),
    (('settled = "bus.frequency"', 'settled = "bus.frequncy"'), "frequncy", "does not exist", "'frequency'"),
    (('settled = "bus.frequency"', 'settled = "bus.soc"'), "bus.soc", "does not exist", "battery_monitor"),
    (('within = "20 mHz"', 'within = "20 mV"'), "20 mV", "is in V; Hz is needed", "50.2 Hz"),
    (('within = "20 mHz"', 'within = "2 %"'), "2 %", "percentage where Hz is needed", "base"),
    (('within = "20 mHz"', 'within = "20 mHz", base = "50 Hz"'), "base", "is not used", "remove"),
    (('within = "20 mHz"', 'within = "0 mHz"'), "0 mHz", "not above zero", "tolerance"),
    (('within = "20 mHz"', 'within = "20 mHz", value = "1 Hz"'), "until", "no use for 'value'", "settled takes"),
    (('within = "20 mHz", ', ""), "until", "missing 'within'", "within"),
    (("settled = ", "setled = "), "setled", "not a known key", "'settled'"),
    (("until = { settled", 'until = { above = "bus.voltage", settled'), "until", "settled and above", "exactly one"),
    (('for = "5 s"', 'for = "50 s"'), "at_most", "needs 50 s to hold", "longer"),
    (('at_most = "30 s"', 'at_most = "-3 s"'), "at_most", "-3 s", "0 s"),
    (('at_most = "30 s"', 'at_most = "30 s"\nif_not = "halt"'), "if_not", "'halt'", "'fail' or 'stop'"),
    (('measure = "maximum"', 'measure = "maximun"'), "maximun", "unknown measure", "'maximum'"),
    (('high = "limit"', ""), "[steps.checks]", "no limit", "low, high"),
    (('high = "limit"', 'high = "limit"\nlow = "90 V"\nbase = "3 V"'), "base", "not used", "remove"),
    (('high = "limit"', 'high = "5 V"\nlow = "6 V"'), "low", "above 'high'", "exchange"),
    (('high = "limit"', 'high = "limit"\nwrong = 1'), "wrong", "not a known key", "known keys"),
    (('high = "limit"', "high = nan"), "nan", "not a finite number", "number"),
    (('high = "limit"', "high = true"), "high", "not a value", "2.4 kW"),
    (('high = "limit"', 'high = "limit"\nk = 0.5'), "k = 0.5", "0.5", ""),
    (('high = "limit"', 'high = "limit"\nover = "settle"'), "over", "'settle'", "settled"),
    (('high = "limit"', 'high = "limit"\ngiven = { level = "3 V" }'), "given", "no argument", ""),
    (('id = "peak"', 'id = "top"'), '"top"', "id of another check", "another id"),
    (('id = "again"', 'id = "one"'), '"one"', "id of another step", "another id"),
    (('of = ["bus.voltage"]', 'of = ["battery.voltage"]'), "of =", "not captured", "battery.voltage"),
    (('  capture = { with = "scope", of = ["bus.voltage"], for = "1 s" }\n', ""), "peak", "no capture", "capture ="),
    (('with = "scope"', 'with = "bus"'), "capture", "cannot capture", "'scope'"),
    (('check = "peak"', 'check = "peek"'), "peek", "unknown check", "'peak'"),
    (('repeats = "times"', 'repeats = "2.5"'), "2.5", "2.5", "whole number"),
    (('repeats = "times"', 'repeats = "times"\neach = { a = ["1 V"] }'), "[[steps]]", "how often", "either"),
    (('repeats = "times"', ""), "[[steps]]", "how often", "either"),
    (('repeats = "times"', 'repeats = "times"\ndo = []'), "[[steps]]", "'do'", "move"),
    (('repeats = "times"', 'each = { size = ["1 W"] }'), "each", "already the name", "another name"),
    (('until = { elapsed = "2 s" }', 'until = { captured = true }\n  if_not = "x"'), "if_not", "'x'", "fail"),
    (('until = { elapsed = "2 s" }', "until = { answered = true }"), "answered", "asks nothing", "ask"),
    (('value = "2 kW"', 'value = "2 kV"'), "range", "is in W; size is in V", "V"),
    (("range = [1, 7]", "range = [7, 1]"), "range", "begins above its end", "least"),
    (("value = 3", "value = 9"), "value = 9", "outside its range", "within"),
    (("102 % * pairing.battery_inverter.absorption_voltage", "pairing.battery.charge_voltage_limi"), "limi", "unknown pairing value", "charge_voltage_limit"),
    (("102 % * pairing.battery_inverter.absorption_voltage", "limit + 1 V"), "limit =", "circle: limit -> limit", "of its own"),
    (('says = "Repeats"', ""), "parameters.times", "missing", "says"),
    (('title = "Small"', 'title = "  "'), "title", "blank", "words"),
    (('title = "Small"', "title = 3"), "title", "3", ""),
    (("format = 1", "format = 2"), "format", "2", "1"),
    (('cautions = ["None of this is real."]', "cautions = []"), "cautions", "at least 1", ""),
    (('[["load.power", "size"]', '[["relays.closed", true], ["load.power", "size"]'), "relays", "synchronism", "grid_switch"),
    (('high = "53 Hz"', 'high = "53 Hz"\nlow = "54 Hz"'), "low", "not below 'high'", "exchange"),
]  # fmt: skip


@pytest.mark.parametrize(
    ("change", "on", "what", "mend"), WRONG, ids=[f"{n}-{w[2][:24]}" for n, w in enumerate(WRONG)]
)
def test_each_mistake_is_named(change: tuple[str, str], on: str, what: str, mend: str) -> None:
    text = bent(change)
    found = [p for p in problems(text) if what in p.what]
    assert found, problems(text)
    problem = found[0]
    assert mend in problem.mend, problem
    line = int(re.findall(r"^small\.toml:(\d+)", problem.where)[0])
    there = text.split("\n")[line - 1]
    nearby = "\n".join(text.split("\n")[max(0, line - 1) : line + 1])
    assert on in nearby or on in problem.where, (problem, there)


def test_a_mistake_brings_no_others_with_it() -> None:
    """What follows from a mistake is not reported beside it."""
    for change in (
        ('value = "2 kW"', 'value = "2 kapples"'),
        ('load = "ac_load"', 'load = "ac_laod"'),
        ('high = "limit"', 'high = "limit +"'),
        (
            "102 % * pairing.battery_inverter.absorption_voltage",
            "102 % * pairing.battery_inverter.absorption",
        ),
        ('measure = "peak"', 'measure = "peek"'),
    ):
        only(bent(change))


def test_all_mistakes_at_once_in_the_order_of_the_file() -> None:
    text = bent(
        ('title = "Small"', 'titel = "Small"'),
        ('["load.power", "size"]', '["laod.power", "size"]'),
        ('within = "20 mHz"', 'within = "20 mV"'),
        ('at_most = "30 s"', 'at_most = "30 s"\nif_not = "halt"'),
        ('measure = "maximum"', 'measure = "maximun"'),
        ('check = "peak"', 'check = "peek"'),
    )
    found = problems(text)
    whats = " | ".join(p.what for p in found)
    for part in (
        "missing",
        "not a known key",
        "unknown role",
        "is in V",
        "'halt'",
        "unknown measure",
        "unknown check",
    ):
        assert part in whats, whats
    assert len(found) == 7
    lines = [int(re.findall(r":(\d+)", p.where)[0]) for p in found]
    assert lines == sorted(lines)


def test_a_long_circle_is_named_once_and_a_long_chain_is_none() -> None:
    chain = "\n".join(f'v{n} = "v{n + 1} + 1 V"' for n in range(50)) + '\nv50 = "1 V"\n'
    assert problems(bent(("[values]\n", f"[values]\n{chain}"))) == []
    circle = chain.replace('v50 = "1 V"', 'v50 = "v0"')
    found = problems(bent(("[values]\n", f"[values]\n{circle}")))
    assert len(found) == 1
    assert "v0 -> v1 -> v2" in found[0].what


def test_a_circle_through_a_parameter() -> None:
    found = only(
        bent(('value = "2 kW"', 'value = "twice / 2"'), ("[values]\n", '[values]\ntwice = "2 * size"\n'))
    )
    assert "circle" in found.what
    assert "size" in found.what


@pytest.mark.parametrize(
    "raw",
    [
        b"",
        b"\x00\x01\x02",
        b"\xff\xfe\x00",
        b"[[steps\n",
        b"a = " + b"[" * 5000 + b"]" * 5000,
        b"title = " + b'"x' * 100_000,
        b"x = 1\n" * 400_000,
        b"format = 1\n" + b"[a" + b".a" * 4000 + b"]\n",
        b"x = {a" + b".a" * 200_000 + b" = 1}\n",
        b'["' + b" " * 500_000 + b'"]\n',
        b"a" * 500_000 + b" = 1\n",
        b"steps = 3",
        b"[steps]\nid = 1",
        b"steps = [1, 2]",
        b"[[steps]]\nsteps = [{steps = [{steps = []}]}]",
        b"roles = []\nformat = true",
        b"format = 1979-05-27",
    ],
    ids=lambda raw: repr(raw[:16]),
)
def test_hostile_files_are_refused_at_once(tmp_path: Path, raw: bytes) -> None:
    path = tmp_path / "hostile.toml"
    path.write_bytes(raw)
    begin = time.perf_counter()
    found = check_file(path)
    assert found
    assert time.perf_counter() - begin < 30.0
    assert all(p.where and p.what and p.mend for p in found)


@pytest.mark.parametrize(
    "value", ['"__import__(\'os\').system(\'touch PWNED\')"', '"' + "(" * 5000 + "1" + ")" * 5000 + '"', '"9**9**9**9 V"', "nan", "inf"]
)  # fmt: skip
def test_hostile_values_are_refused_at_once(
    value: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    begin = time.perf_counter()
    assert problems(bent(('high = "limit"', f"high = {value}")))
    assert time.perf_counter() - begin < 30.0
    assert not list(tmp_path.iterdir())


def test_deeply_nested_steps_are_refused() -> None:
    inner = "{id='a',title='a',repeats=1,steps=["
    text = SMALL + f"\n[[steps]]\nid = 'n'\ntitle = 'n'\nrepeats = 1\nsteps = [{inner * 60}{']}' * 60}]\n"
    assert problems(text)


def test_a_missing_file_says_so(tmp_path: Path) -> None:
    with pytest.raises(Refused, match="cannot be read"):
        read(tmp_path / "none.toml")


def test_windows_line_ends_and_a_byte_order_mark_are_read(tmp_path: Path) -> None:
    path = tmp_path / "windows.toml"
    path.write_bytes(b"\xef\xbb\xbf" + SMALL.replace("\n", "\r\n").encode())
    assert read(path).title == "Small"


def test_a_second_switch_that_could_join_live_buses_is_refused() -> None:
    found = problems(
        bent(('grid = "grid_switch"', 'grid = "grid_switch"\ntie = "grid_switch"'),
             ('["grid.closed", false]', '["grid.closed", true], ["tie.closed", true]'))
    )  # fmt: skip
    assert len(found) == 1
    assert "two live buses" in found[0].what
    found = problems(
        bent(('grid = "grid_switch"', 'grid = "grid_switch"\nmains_bypass = "relay_board"'),
             ('["grid.closed", false]', '["mains_bypass.pv_contactor", true]'))
    )  # fmt: skip
    assert [p for p in found if "synchronism" in p.what]
    assert (
        problems(bent(('["grid.closed", false]', '["relays.pv_contactor", true], ["grid.closed", true]')))
        == []
    )


def test_the_procedure_remembers_its_file() -> None:
    procedure = read_text(SMALL)
    assert procedure.document is not None
    assert procedure.document.raw.decode() == SMALL
