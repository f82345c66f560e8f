"""Imports: what another logger wrote becomes a record that says what it is; what cannot be read as it stands is refused with lines."""

import hashlib
import math
import tomllib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchrunner.cli.main import main
from benchrunner.errors import Refused
from benchrunner.record.archive import Archive
from benchrunner.record.doors.export import export
from benchrunner.record.doors.importing import import_csv
from benchrunner.record.doors.mapping import from_file, from_words
from benchrunner.record.doors.table import parse
from benchrunner.record.keys import SigningKey
from benchrunner.record.opened import Record

TWO = ("bus.voltage=Ubus [V]", "battery.current=Ibat [A]")


def read(text: str | bytes, *channels: str, time: str = "Time", **options: Any) -> Any:
    raw = text if isinstance(text, bytes) else text.encode()
    return parse(raw, "log.csv", from_words(time, channels or TWO, **options))


def refused(text: str | bytes, *channels: str, **options: Any) -> str:
    with pytest.raises(Refused) as found:
        read(text, *channels, **options)
    assert all(problem.where and problem.what and problem.mend for problem in found.value.problems)
    return str(found.value)


PLAIN = "Time,Ubus [V],Ibat\n0,230.1,-3.5\n1,230.2,-3.25\n2,229.9,1e1\n"


@pytest.mark.parametrize(
    "text",
    [
        PLAIN,
        PLAIN.replace("\n", "\r\n"),
        "\ufeff" + PLAIN,
        PLAIN.replace(",", ";"),
        PLAIN.replace(",", "\t"),
        PLAIN.replace(",", ";").replace(".", ","),
        "Logger 4711\nmade;by;nobody\n\n" + PLAIN.replace(",", ";"),
        PLAIN.replace("230.1", '"230.1"').replace("Ubus [V]", '"Ubus [V]"'),
        PLAIN.encode("utf-16"),
        PLAIN + "\n\n,,\n",
        PLAIN.replace("Time", "Time,x")
        .replace("\n0", "\n0,q")
        .replace("\n1", "\n1,")
        .replace("\n2", "\n2,,")
        .replace(",,,", ",,"),
    ],
)
def test_every_common_way_of_writing_it_is_read_alike(text: str | bytes) -> None:
    found = read(text)
    assert list(found.times) == [0, 1, 2]
    assert [list(column) for column in found.values] == [[230.1, 230.2, 229.9], [-3.5, -3.25, 10.0]]
    assert found.stated in ([], ["commas were taken for decimal signs"])


def test_units_and_signs_are_those_of_our_channels() -> None:
    text = "t [ms],P [kW],T,I\n0,1.25,21.5,4\n500,-2,-40,5\n"
    found = read(
        text, "pv.power=P [kW]", "battery.temperature=T [degC]", "battery.current=I [mA]", time="t [ms]"
    )
    assert list(found.times) == [0, 0.5]
    assert [list(c) for c in found.values] == [[1250, -2000], [294.65, pytest.approx(233.15)], [0.004, 0.005]]


def test_a_map_file_says_the_same_and_is_kept_as_it_was_understood(tmp_path: Path) -> None:
    (tmp_path / "map.toml").write_text(
        'format = 1\ntitle = "Weekend"\nseparator = ";"\n[time]\ncolumn = "Time"\nunit = "min"\n[channels]\n'
        '"bus.voltage" = "Ubus [V]"\n"battery.current" = { column = "Ibat", unit = "A", sign = -1 }\n'
    )
    given_ = from_file(tmp_path / "map.toml")
    found = parse(PLAIN.replace(",", ";").encode(), "log.csv", given_)
    assert list(found.times) == [0, 60, 120] and list(found.values[1]) == [3.5, 3.25, -10.0]
    (tmp_path / "again.toml").write_bytes(given_.toml())
    assert from_file(tmp_path / "again.toml") == given_


def test_times_as_iso_8601_begin_at_the_first() -> None:
    text = "Time,Ubus [V],Ibat\n2026-03-14T10:00:00+01:00,1,2\n2026-03-14 09:00:00.5Z,3,4\n"
    found = read(text)
    assert (
        list(found.times) == [0, 0.5] and found.started == "2026-03-14T09:00:00.000Z" and found.stated == []
    )
    naive = read(text.replace("+01:00", "").replace("Z", "").replace(" 09", "T10"))
    assert naive.started == "2026-03-14T10:00:00.000Z" and "taken for UTC" in naive.stated[0]
    assert "without a time zone" in refused(text.replace("+01:00", "").replace("09:", "11:"))


def test_seconds_that_cannot_be_from_a_start_count_from_the_first() -> None:
    found = read(
        PLAIN.replace("\n0,", "\n1700000000.25,")
        .replace("\n1,", "\n1700000001.25,")
        .replace("\n2,", "\n1700000002.25,")
    )
    assert (
        list(found.times) == [0, 1, 2]
        and "counted from that of the first row, 1700000000.25 s" in found.stated[0]
    )


def test_what_has_no_value_is_missing_and_said() -> None:
    found = read("Time,Ubus [V],Ibat\n0,,NaN\n1,n/a,--\n2,9.91E37,9.9E37\n3,1,2\n")
    assert all(math.isnan(v) for column in found.values for v in list(column)[:3]) and found.values[0][3] == 1
    assert found.stated == [
        "4 cells without a value",
        "2 cells with an instrument's number for overload or for no value (9.9E37, 9.91E37 and beyond)",
    ]


def test_gaps_are_said_with_their_lines() -> None:
    rows = "".join(f"{t},1,2\n" for t in (0, 1, 2, 3, 9, 10, 11, 30))
    assert read("Time,Ubus [V],Ibat\n" + rows).stated == [
        "2 gaps longer than 5 intervals of 1 s, the longest 19 s, before lines 6, 9"
    ]
    one = "".join(f"{t},1,2\n" for t in (0, 1, 2, 3, 9))
    assert read("Time,Ubus [V],Ibat\n" + one).stated[0].endswith("before line 6")


def test_duplicates_and_times_that_go_back_are_refused_with_lines_or_done_as_told() -> None:
    head = "Time,Ubus [V],Ibat\n"
    same = read(head + "0,1,2\n1,3,4\n1,3,4\n2,5,6\n")
    assert list(same.times) == [0, 1, 2] and same.stated == [
        "1 line that repeated the one before were left out: 4"
    ]
    other = head + "0,1,2\n1,3,4\n1,9,9\n2,5,6\n"
    assert "log.csv:4: has the time of line 3 and other values" in refused(other)
    assert list(read(other, duplicates="first").values[0]) == [1, 3, 5]
    last = read(other, duplicates="last")
    assert list(last.values[0]) == [1, 9, 5] and "the last was kept, as told" in last.stated[0]
    back = head + "0,1,2\n2,3,4\n1,5,6\n3,7,8\n"
    assert "log.csv:4: goes back in time, behind line 3" in refused(back)
    ordered = read(back, sort=True)
    assert list(ordered.times) == [0, 1, 2, 3] and list(ordered.values[0]) == [1, 5, 3, 7]
    assert list(ordered.lines) == [2, 4, 3, 5] and "sorted by time, as told" in ordered.stated[0]
    assert "log.csv:5: has the time of line 2" in refused(head + "1,1,2\n2,3,4\n3,1,1\n1,9,9\n", sort=True)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "is empty"),
        ("Time,Ubus [V]\n0,1\n1,2\n", "has no column 'Ibat [A]'"),
        ("Zeit,Ubus [V],Ibat\n0,1,2\n1,2,3\n", "has no column 'Time'"),
        ("Time,Ubus [V],Ibat,Ibat\n0,1,2,3\n", "has two columns 'Ibat'"),
        (PLAIN.replace("230.2", "x7"), "log.csv:3: 'x7' is no number (column 'Ubus [V]')"),
        (PLAIN.replace("\n1,", "\nlater,"), "log.csv:3: 'later' is no time"),
        (PLAIN.replace("\n1,230.2,-3.25", "\n1,230.2"), "log.csv:3: has 2 columns where 3 are needed"),
        (PLAIN.replace(",", ";").replace("230.2", "1.230,2"), "log.csv:3: '1.230,2' is no number"),
        ("Time,Ubus [V],Ibat\n0,1,2\n", "holds 1 row of readings; an interval takes two"),
        ("Time,Ubus [V],Ibat\n", "holds 0 rows of readings"),
        # a comma that is both signs: read as it stands, 230,1 would have become 230
        (
            "Time,Ibat,Ubus [V]\n0,3,230,1\n1,3,230,2\n",
            "log.csv:2: has 4 values where the line of names has 3 columns",
        ),
        (
            PLAIN.replace("-3.25", "-3.25,late"),
            "log.csv:3: has 4 values where the line of names has 3 columns",
        ),
        (PLAIN.replace("\n", "\r"), "log.csv: ends its lines with a carriage return alone"),
        (b"Time,Ubus [V],Ibat\n0,1,2\n1,\xb0,3\n", "log.csv:3: is no utf-8 text"),
        (PLAIN.encode() + b"\0", "holds a NUL"),
        ('Time,Ubus [V],Ibat\n0,1,"2\n1,2,3\n', "is no number (column 'Ibat [A]')"),
        (PLAIN.replace("230.2", "1" * 5000), "log.csv:3: has a cell of more than 4096 characters"),
        ("Time,Ubus [V],Ibat\n" + "0,x,y\n" * 50, "more than 10 lines are wrong"),
        (PLAIN.replace("\n2,", "\n1e999,"), "log.csv:4: '1e999' is no time"),
    ],
)
def test_what_cannot_be_read_is_refused_with_its_line(text: str | bytes, says: str) -> None:
    assert says in refused(text)


@pytest.mark.parametrize(
    ("channels", "options", "says"),
    [
        (("bus.voltage=U [A]",), {}, "'A' is no unit of voltage"),
        (("battery.temperature=T [C]",), {}, "mend: temperature comes in K or degC"),
        (("bus.frequency=n [rpm]",), {}, "'rpm' is no unit of frequency"),
        (("bus.voltage=U",), {}, "has no unit"),
        (("voltage=U [V]",), {}, "not a channel"),
        (("bus.voltage",), {}, "names no column"),
        (("bus.voltage=U [V]", "bus.voltage=V [V]"), {}, "second column for this channel"),
        ((), {}, "no channel is mapped"),
        (TWO, {"separator": "x"}, "'x' is not possible"),
        (TWO, {"separator": ",", "decimal": ","}, "is the separator as well"),
        (TWO, {"encoding": "klingon"}, "not possible"),
        (TWO, {"duplicates": "all"}, "not possible"),
        (TWO, {"time": "Time [V]"}, "s"),
    ],
)
def test_a_map_that_means_nothing_is_refused(
    channels: tuple[str, ...], options: dict[str, Any], says: str
) -> None:
    time = options.pop("time", "Time")
    with pytest.raises(Refused) as found:
        from_words(time, channels, **options)
    assert says in str(found.value) and all(p.mend for p in found.value.problems)


def test_the_record_says_that_it_was_imported(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    source = tmp_path / "Log 1.csv"
    source.write_bytes(PLAIN.encode())
    key = SigningKey.from_seed("importer", bytes(range(32)))
    path, stated = import_csv(
        source, from_words("Time", TWO), tmp_path / "out", key=key, logger="a clamp meter"
    )
    record = Record.open(path)
    assert any("neither the file nor --started" in line for line in stated)
    mark = record.header["further"]["imported"]
    assert mark["says"] == "imported, not measured by us" and mark["logger"] == "a clamp meter"
    assert mark["sha256"] == hashlib.sha256(source.read_bytes()).hexdigest()
    assert bytes(record.part(mark["part"])) == source.read_bytes()  # word for word
    assert record.verdict == "not judged" and record.checks == [] and not record.simulated
    assert (
        tomllib.loads(bytes(record.part("procedure.toml")).decode())["channels"]["bus.voltage"]["column"]
        == "Ubus [V]"
    )
    frame = record.readings
    assert frame[frame.channel == "bus.voltage"]["value"].tolist() == [230.1, 230.2, 229.9]
    result = record.verify()
    assert result.ok and result.imported and result.signatures[0].role == "importer"
    assert (
        main(["verify", str(path), "--rejudge"]) == 0
        and "IMPORTED, not measured by us" in (said := capsys.readouterr().out)
        and "nothing to judge again: imported readings are not judged" in said
        and "judged again identically" not in said
    )
    (tmp_path / "limits.toml").write_text('format = 1\n[checks."a/b"]\nhigh = "1 V"\n')
    assert main(["verify", str(path), "--limits", str(tmp_path / "limits.toml")]) == 2
    assert "mend: the record has no checks: nothing in it was judged" in capsys.readouterr().err
    assert main(["report", str(path)]) == 0
    assert "IMPORTED" in path.with_suffix(".html").read_text("utf-8")
    with Archive(tmp_path / "archive") as archive:
        archive.add(path)
        assert archive.search().found[0].imported
    assert "imported, not measured by us" in export(record, "csv", tmp_path / "x.csv").read_text("utf-8")
    assert main(["compare", str(path), str(path)]) == 2


def test_what_was_exported_can_be_imported_again_bit_for_bit(tmp_path: Path) -> None:
    source = tmp_path / "log.csv"
    source.write_text("Time,Ubus [V]\n" + "".join(f"{k / 7!r},{230 + k / 3!r}\n" for k in range(200)))
    path, _ = import_csv(source, from_words("Time", ("bus.voltage=Ubus [V]",)), tmp_path)
    again = export(Record.open(path), "csv", tmp_path / "again.csv")
    second, _ = import_csv(again, from_words("time", ("bus.voltage=value [V]",)), tmp_path)
    assert Record.open(second).readings.equals(Record.open(path).readings)


def test_a_simulated_bench_stays_one_by_way_of_a_file(
    sealed: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    record = Record.open(sealed)
    assert record.simulated
    file = export(record, "csv", tmp_path / "out.csv", channels=["battery.voltage"])
    path, stated = import_csv(file, from_words("time", ["battery.voltage=value [V]"]), tmp_path / "in")
    assert Record.open(path).simulated and any("simulated bench" in line for line in stated)
    assert main(["verify", str(path), "--allow-unsigned"]) == 0
    assert "SIMULATED BENCH" in capsys.readouterr().out
    file.write_text(file.read_text("utf-8").replace("SIMULATED BENCH", "a bench"), "utf-8")
    path, _ = import_csv(file, from_words("time", ["battery.voltage=value [V]"]), tmp_path / "unsaid")
    assert not Record.open(path).simulated


def test_forty_channels_and_a_pairing_card(tmp_path: Path) -> None:
    names = [f"m{k}.voltage=c{k} [V]" for k in range(40)]
    source = tmp_path / "wide.csv"
    source.write_text(
        "t,"
        + ",".join(f"c{k}" for k in range(40))
        + "\n"
        + "".join(f"{t}," + ",".join(str(t + k) for k in range(40)) + "\n" for t in range(3))
    )
    path, _ = import_csv(  # a shipped card by its name, as everywhere
        source, from_words("t", names), tmp_path, pairing="tarn6-corrie5", started="2026-03-14T10:15:00Z"
    )
    record = Record.open(path)
    assert record.channel("m39.voltage")[1].tolist() == [39, 40, 41] and record.verify(allow_unsigned=True).ok
    assert (
        record.header["pairing"]["title"] == "Tarn-6 + Corrie-5"
        and record.header["started"] == "2026-03-14T10:15:00.000Z"
    )


def test_bad_input_on_the_command_line_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    source = tmp_path / "log.csv"
    source.write_text(PLAIN)
    out = ["--out", str(tmp_path / "out")]
    for words in (
        [str(tmp_path / "absent.csv"), "--time", "Time", "--channel", TWO[0], *out],
        [str(tmp_path), "--time", "Time", "--channel", TWO[0], *out],
        [str(source), *out],
        [str(source), "--time", "Time", "--channel", TWO[0], "--map", "x.toml", *out],
        [str(source), "--map", str(tmp_path / "absent.toml"), *out],
        [str(source), "--time", "Time", "--channel", TWO[0], "--started", "soon", *out],
        [str(source), "--time", "Time", "--channel", TWO[0], "--pairing", str(source), *out],
        [
            str(source),
            "--time",
            "Time",
            "--channel",
            TWO[0],
            "--key",
            "nobody",
            "--passphrase-file",
            str(source),
            *out,
        ],
    ):
        assert main(["import", *words]) == 2, words
        said = capsys.readouterr().err
        assert said.startswith("refused: ") and "mend: " in said
    assert not list(tmp_path.rglob("*.bench"))


@settings(max_examples=60)
@given(st.binary(max_size=300), st.integers(0, 60))
def test_any_bytes_are_read_or_refused(junk: bytes, at: int) -> None:
    raw = PLAIN.encode()
    found, problems = None, ()
    try:
        found = read(raw[:at] + junk + raw[at:])
    except Refused as refusal:
        problems = refusal.problems
    assert (found is None) == bool(problems) and all(p.where and p.what and p.mend for p in problems)
    if found is not None:
        assert list(found.times) == sorted(set(found.times))
        assert {len(column) for column in found.values} == {len(found.times)}


def test_more_rows_than_a_record_may_hold_are_refused_and_leave_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The reader's own bound, made small here: what was imported must be readable again."""
    from benchrunner.record import tables
    from benchrunner.record.doors import table

    assert table.MOST_ROWS == tables.MOST_ROWS
    monkeypatch.setattr(table, "MOST_ROWS", 500)
    source, out = tmp_path / "log.csv", tmp_path / "runs"
    words = ["import", str(source), "--time", "Time", "--channel", TWO[0], "--out", str(out)]
    rows = "".join(f"{k},230.{k % 10}\n" for k in range(501))
    source.write_text("Time,Ubus [V]\n" + rows)
    assert main(words) == 2
    said = capsys.readouterr().err
    assert "log.csv:502: is row 501 of readings; a record holds 500 at most" in said
    assert "split the file" in said
    assert not out.exists()
    source.write_text("Time,Ubus [V]\n" + rows.rpartition("500,")[0])
    assert main(words) == 0
    assert len(Record.open(next(out.glob("*.bench"))).readings) == 500


@pytest.mark.parametrize("text", ["", "\n\n", "\ufeff"])
def test_an_empty_file_is_said_to_be_empty(text: str) -> None:
    said = refused(text)
    assert "is empty" in said and "it has \n" not in said
