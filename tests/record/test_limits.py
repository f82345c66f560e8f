"""Would it have passed under other limits? From the recorded values and uncertainties alone."""

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchrunner.cli.main import main
from benchrunner.errors import Refused
from benchrunner.record.limits import judge_under
from benchrunner.record.opened import Record

KEPT = Path(__file__).resolve().parent.parent / "vectors" / "records" / "format-1.bench"


def limits(folder: Path, *lines: str) -> Path:
    path = folder / "limits.toml"
    path.write_text("\n".join(["format = 1", *lines]))
    return path


def verdicts(folder: Path, *lines: str) -> dict[str, str]:
    return {
        one.name: str(one.after["verdict"]) for one in judge_under(Record.open(KEPT), limits(folder, *lines))
    }


def test_unchanged_limits_give_the_verdicts_on_record(tmp_path: Path) -> None:
    record = Record.open(KEPT)
    lines = []
    for check in record.checks:
        lines.append(f'[checks."{check["step"]}/{check["id"]}"]')
        lines += [
            f'{key} = "{check[key]!r} {check["unit"]}"' for key in ("low", "high") if check[key] is not None
        ]
    found = judge_under(record, limits(tmp_path, *lines))
    assert [one.after["verdict"] for one in found] == [check["verdict"] for check in record.checks]
    assert all(one.changed for one in found)


@given(above=st.floats(-5.0, 5.0).filter(lambda x: abs(abs(x) - 1) > 1e-6 and abs(x) > 1e-6))
def test_the_guard_band_is_u(above: float) -> None:
    """ILAC-G8:09/2019, w = U: pass from U inside on, fail from U outside on, between inconclusive; simple: w = 0."""
    check = next(c for c in Record.open(KEPT).checks if c["id"] == "too-tight")
    bound = check["value"] + above * check["uncertainty"]
    import tempfile

    with tempfile.TemporaryDirectory() as folder:
        text = f'[checks."step/too-tight"]\nhigh = "{bound!r} W"\n'
        found = verdicts(Path(folder), text)["step/too-tight"]
        assert found == ("pass" if above > 1 else "fail" if above < -1 else "inconclusive")
        assert verdicts(Path(folder), text, 'rule = "simple"')["step/too-tight"] == (
            "pass" if above > 0 else "fail"
        )


def test_data_that_carried_no_verdict_carries_none(tmp_path: Path) -> None:
    assert verdicts(tmp_path, '[checks."step/peak"]', 'high = "1 MV"')["step/peak"] == "inconclusive"


@pytest.mark.parametrize(
    ("lines", "says"),
    [
        (['[checks."step/nothing"]', 'high = "1 V"'], "is no check of this record"),
        (['[checks."step/voltage"]', 'high = "1 A"'], "current"),
        (['[checks."step/voltage"]', 'low = "300 V"', 'high = "200 V"'], "above the high limit"),
        (['[checks."step/voltage"]', 'low = "300 V"', 'high = "200 V"'], "give the lower bound as low"),
        (
            ['[checks."step/voltage"]', "high = 250"],
            "is 250, not text\n    mend: write it in quotes, a quantity with its unit",
        ),
        (['[checks."step/voltage"]', 'low = "none"', 'high = "none"'], "needs a low or a high limit"),
        (['[checks."step/voltage"]', 'rule = "kind"'], "rule"),
        (["[checks]"], "checks"),
        (["checks = 3"], "checks"),
    ],
)
def test_bad_limits_are_refused_with_their_line(tmp_path: Path, lines: list[str], says: str) -> None:
    with pytest.raises(Refused) as refused:
        judge_under(Record.open(KEPT), limits(tmp_path, *lines))
    assert says in str(refused.value) and "limits.toml" in str(refused.value)


def test_the_command_answers_with_its_exit_code_and_leaves_the_record_alone(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    before = KEPT.read_bytes()
    call = ["verify", str(KEPT), "--limits"]
    assert main([*call, str(limits(tmp_path, '[checks."step/voltage"]', 'high = "220 V"'))]) == 1
    assert "was pass, would have been fail" in capsys.readouterr().out
    assert (
        main([*call, str(limits(tmp_path, '[checks."step/too-tight"]', 'high = "3 kW"'))]) == 3
    )  # the peak has no value
    assert main([*call, str(tmp_path / "none.toml")]) == 2
    assert KEPT.read_bytes() == before
