"""Messages in the window's own words: where the engine names an option of the command line, the window's control is named.

The command line keeps its words: a message is put into these only where the window shows it. What only a command can do
(`benchrunner recover`, `timestamp`, `serve`) stays whole, as a command.
"""

import re

from benchrunner.app.model.signs import with_minus
from benchrunner.errors import Problem

PASS_GATES = "“Pass gates by name…”"
RELEASE = "“Release the bench…”"
RECORD_CHECK = "“Record a check…”"
# Option -> the control of the window that does the same.
CONTROLS = {
    "pairing": "“Pairing”",
    "bench": "“Bench”",
    "set": "parameter",
    "speed": "“Speed”",
    "port-base": "“Lowest port”",
    "seed": "“Random seed”",
    "key": "“Signing key”",
    "passphrase-file": "“Passphrase”",
    "out": "“Folder”",
    "operator": "“Your name”",
    "acknowledge": "“I have read these cautions”",
    "override": PASS_GATES,
    "by": "“Your name”",
    "why": "“Reason”",
    "check": "“Check”",
    "result": "“Result”",
    "value": "“Value”",
    "instrument": "“Instrument”",
    "note": "“Note”",
    "hours": "“Holds for, in hours”",
    "range": "“TCP ports”",
    "modbus": "“Modbus servers”",
    "no-visa": "“USB and GPIB”",
}
_COMMAND_ONLY = re.compile(
    r"(`?benchrunner (?:recover|timestamp|serve)\b[^;,`]*`?|(?:do not )?(?:give|leave) --(?:timestamp|answers)\b[^;,:]*)"
)
_WORDS: tuple[tuple[re.Pattern[str], str], ...] = tuple(
    (re.compile(pattern, re.DOTALL), words)
    for pattern, words in (
        (
            r"^benchrunner run wiring-proof.*?; or --override .*$",
            "choose the procedure “Wiring proof” at the left and run it on this bench (“Wiring proof of legs and phases” where "
            f"the pairing has several), or {PASS_GATES} below",
        ),
        (r"benchrunner run wiring-proof\b.*$", "run the procedure “Wiring proof” on this bench"),
        (r"do it, then: benchrunner prove .*$", f"do it, then {RECORD_CHECK} below"),
        (r"benchrunner release .*$", f"{RELEASE} on the page Prepare"),
        (
            r"`benchrunner find --(?:range|modbus) [^`]*` asks",
            "the page “Find instruments” (Ctrl+3) asks",
        ),
        (r"give --by NAME and --why TEXT", "give name and reason"),
        (r"or --override [a-z-]+(?: --by NAME)?(?: --why TEXT)?", f"or {PASS_GATES}"),
        (r"give --no-visa", "take the tick off “USB and GPIB”"),
        (r"\bgive --range HOST", "write under “TCP ports” HOST"),
        (r"\bgive --modbus HOST", "write under “Modbus servers” HOST"),
        (r"as a Modbus server \(--modbus\)", "under “Modbus servers”"),
        (r"leave --speed out", "choose real time under “Speed”"),
        (r"(?:give )?--speed 1\b", "“Speed” at real time"),
        (r"needs --speed\b", "needs a pace under “Speed”"),
        (r"\b(?:another|other ports with) --(out|port-base)\b", r"another --\1"),
        (r"(?<![\w-])--set (?=\w)", "parameter "),
        (r"(?<![\w-])--override(?: [a-z][a-z-]*)?(?: --by NAME)?(?: --why TEXT)?", PASS_GATES),
    )
)
_OPTION = re.compile(r"(?<![\w-])--([a-z][a-z-]*)(?: (?:NAME|TEXT|FILE|CARD)\b)?")


def text_here(text: str) -> str:
    """A message with the window's controls in the place of options and its minus sign; commands that the window has no
    control for stay as they are typed."""
    if "--" not in text and "benchrunner " not in text:
        return with_minus(text)
    parts = _COMMAND_ONLY.split(text)
    return "".join(part if k % 2 else _controls(part) for k, part in enumerate(parts))


def here(problem: Problem) -> Problem:
    """A problem in the window's words."""
    return Problem(text_here(problem.where), text_here(problem.what), text_here(problem.mend))


def _controls(text: str) -> str:
    for pattern, words in _WORDS:
        text = pattern.sub(words, text)
    text = with_minus(text)
    return _OPTION.sub(lambda found: CONTROLS.get(found[1], found[0]), text)
