"""No message that the window shows names an option of the command line where the window has a control of its own."""

import ast
import errno
import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from app_rig import Screen

import benchrunner
from benchrunner.app.model.mends import _COMMAND_ONLY, here, text_here
from benchrunner.bench import prechecks
from benchrunner.bench.find.looking import ports_in
from benchrunner.bench.links.unreachable import unreachable
from benchrunner.errors import Problem, Refused

ROOT = Path(benchrunner.__file__).parent
NEVER_GIVEN = re.compile(
    r"^--(?:answers|timestamp)\b"
)  # the window gives neither, so nothing is said of them
OPTION = re.compile(r"(?<![\w-])--[a-z]")
# What runs behind the window; doors, archive, compare and sheets are commands of their own.
BEHIND = (
    "bench", "cards", "core", "engine", "judge", "procedure", "sim/served", "record/journal.py", "record/recover.py",
    "record/keys.py", "record/seal.py", "record/sealing.py", "record/recovering.py",
)  # fmt: skip


def _written(node: ast.AST) -> str:
    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        return node.value
    if isinstance(node, ast.JoinedStr):
        return "".join(_written(part) or "{}" for part in node.values)
    return ""


def messages() -> Iterator[tuple[str, str]]:
    """Every text in the rooms behind the window that names an option, docstrings aside."""
    for place in BEHIND:
        path = ROOT / place
        for file in sorted(path.rglob("*.py")) if path.is_dir() else [path] if path.exists() else []:
            tree = ast.parse(file.read_text(encoding="utf-8"))
            prose = {id(n.value) for n in ast.walk(tree) if isinstance(n, ast.Expr)}
            inner = {id(v) for n in ast.walk(tree) if isinstance(n, ast.JoinedStr) for v in n.values}
            for node in ast.walk(tree):
                text = _written(node) if id(node) not in prose | inner else ""
                if OPTION.search(text):
                    yield f"{file.relative_to(ROOT)}:{getattr(node, 'lineno', 0)}", text


def test_no_message_behind_the_window_names_an_option_in_it() -> None:
    found = list(messages())
    assert len(found) > 30  # or the search itself is broken
    left = {
        place: text_here(text)
        for place, text in found
        if not NEVER_GIVEN.match(text) and OPTION.search(_COMMAND_ONLY.sub("", text_here(text)))
    }
    assert not left, "\n".join(f"{place}: {text}" for place, text in left.items())


@pytest.mark.parametrize(
    ("said", "shown"),
    [
        ("benchrunner release b.toml --port-base 7 --by NAME --why \"WHAT\"", "“Release the bench…” on the page Prepare"),
        ("calibrate it; or --override calibration --by NAME --why TEXT", "calibrate it; or “Pass gates by name…”"),
        ("give --by NAME and --why TEXT; the record keeps both", "give name and reason; the record keeps both"),
        ("end that program, or choose other ports with --port-base", "end that program, or choose another “Lowest port”"),
        ("without such instruments give --no-visa", "without such instruments take the tick off “USB and GPIB”"),
        ("run `benchrunner recover /x --key NAME`", "run `benchrunner recover /x --key NAME`"),
        ("5 -- 7 and a--b stay", "5 -- 7 and a--b stay"),
    ],
)  # fmt: skip
def test_a_message_names_the_control_of_the_window(said: str, shown: str) -> None:
    assert text_here(said) == shown


def test_messages_made_by_the_engine_itself() -> None:
    made: list[Problem] = []
    for text, option in (("nowhere", "--range"), ("nowhere", "--modbus"), ("h:1-99999", "--range")):
        with pytest.raises(Refused) as refused:
            ports_in(text, option)
        made += refused.value.problems
    what, mend = unreachable(
        "socket://127.0.0.1:4", ConnectionRefusedError(errno.ECONNREFUSED, "Connection refused")
    ) or ("", "")
    made.append(Problem("load", what, mend))
    assert prechecks.MAY_PASS and all(
        OPTION.search(str(problem)) for problem in made
    )  # the command line's words stay
    shown = [here(problem) for problem in made]
    assert not any(OPTION.search(f"{p.where} {p.what} {p.mend}") for p in shown)
    assert shown[0].where == "“TCP ports” nowhere" and "“Modbus servers” HOST:PORT" in shown[1].mend
    assert "Ctrl+3" in shown[-1].mend


def test_the_find_page_and_a_refusal_name_controls(screen: Screen) -> None:
    window = screen.ready().window
    page = window.find_page
    page.visa.setChecked(False)
    page.ports.setText("nowhere")
    page.begin()
    screen.until(lambda: not page.is_working)
    assert not OPTION.search(page.problems.toPlainText()) and "“TCP ports”" in page.problems.toPlainText()
    link = screen.started()
    problem = {
        "where": "--speed 10",
        "what": "a real bench runs at its own pace",
        "mend": "leave --speed out",
    }
    link.ends(
        exit=2,
        verdict="not judged",
        ended_by="refused",
        finished=False,
        safe="not needed",
        problems=[problem],
    )
    screen.until(lambda: window.run.ended is not None)
    screen.let(0.1)
    listed = window.prepare.problems.toPlainText()
    assert "“Speed” 10" in listed and "choose real time under “Speed”" in listed
    assert not OPTION.search(listed + window.notice.text.text())
