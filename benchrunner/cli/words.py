"""What a run says on the command line: progress as it goes, the table of checks, the end state."""

import textwrap
from typing import IO, Any

from benchrunner.cli.wrapping import columns, width, wrapped
from benchrunner.report.words import DASH, MINUS, figures, reason
from benchrunner.units import show

_LEFT = (0, 2, 6)  # columns of words; the others hold figures
_NAMED = 3  # checks that share a reason are named up to so many, counted beyond
MARKS = {"pass": "[+]", "fail": "[x]", "inconclusive": "[?]", "not judged": "[ ]", "not applicable": "[-]"}


def plain(text: str) -> str:
    """With signs that every terminal has."""
    return text.replace(MINUS, "-").replace(DASH, "-")


def table(checks: list[dict[str, Any]], sink: IO[str]) -> None:
    """All checks with value, limit, uncertainty, margin and verdict, in aligned columns; each row in one unit."""
    rows = [("check", "value", "limit", "U", "margin", "in U", "verdict")]
    for check in checks:
        shown = figures(check)
        name = f"{check['step']}/{check['id']}" if check.get("step") else str(check["id"])
        verdict = f"{MARKS.get(check['verdict'], '[ ]')} {check['verdict']}"
        cells = (name, shown.value, shown.limit, shown.uncertainty, shown.margin, shown.in_u, verdict)
        rows.append(tuple(plain(cell) for cell in cells))  # type: ignore[arg-type]
    columns(rows, _LEFT, sink)
    reasons: dict[str, list[str]] = {}
    for check in checks:
        if check["verdict"] != "pass" and check.get("reason"):
            reasons.setdefault(reason(check), []).append(check["id"])
    for why, names in reasons.items():
        which = ", ".join(names) if len(names) <= _NAMED else f"{len(names)} checks"
        print(wrapped(f"  {which}: {why}"), file=sink)


def outcome(ended: dict[str, Any], checks: list[dict[str, Any]], sink: IO[str]) -> None:
    """The end of a run in words."""
    if checks:
        print(file=sink)
        table(checks, sink)
    print(file=sink)
    if ended.get("simulated"):
        print("SIMULATED BENCH: not evidence about any real equipment.", file=sink)
    verdict = f"verdict: {ended.get('verdict', 'not judged')}"
    if not ended.get("finished"):
        verdict += f" - the run did not finish: {ended.get('reason') or ended.get('ended_by', '')}"
    print(wrapped(verdict), file=sink)
    if ended.get("safe_text"):
        print(wrapped(f"bench: {ended['safe_text']}"), file=sink)
    if ended.get("safe") == "not confirmed":
        alarm = "ALARM: the safe state could NOT be confirmed. Isolate the sources by hand and prove dead before touching anything."
        print(wrapped(alarm), file=sink)
    if ended.get("unstamped"):
        print(ended["unstamped"], file=sink)
    for name in ("record", "report", "journal"):
        if ended.get(name):
            print(f"{name}: {ended[name]}", file=sink)
    if ended.get("journal"):
        print(
            f"not sealed yet: mend what is said above, then benchrunner recover {ended['journal']}", file=sink
        )


class Progress:
    """Shows the events of a run, one line each, and keeps the checks for the table."""

    def __init__(self, sink: IO[str] | None) -> None:
        self._sink = sink
        self.checks: list[dict[str, Any]] = []
        self._steps: list[dict[str, Any]] = []
        self._said: set[str] = set()
        self._missed: dict[str, int] = {}  # polls, by instrument, as last said

    def show(self, event: dict[str, Any]) -> None:
        """One event."""
        kind, data, at = event["kind"], event["data"], float(event.get("at") or 0.0)
        if kind == "check":
            self.checks.append(data)
            if data["verdict"] == "not judged":
                return  # the table says so, with the reason once
            shown = figures(data)
            mark = MARKS.get(data["verdict"], "[ ]")
            self._say(at, f"   {mark} {data['id']}: {plain(shown.value)}, {plain(shown.limit)}")
        elif kind == "prepared":
            self._begin(data)
        elif kind == "step" and data.get("phase") == "started":
            self._step(at, int(data.get("index", 0)), str(data.get("id")))
        elif kind == "step" and data.get("phase") in ("failed", "skipped"):
            text = f"   {data['phase']}: {data.get('text', '')}"
            if data["phase"] == "failed" or text not in self._said:  # many steps are skipped for one reason
                self._said.add(text)
                self._say(at, text)
        elif kind == "guard":
            self._say(at, f"GUARD {data.get('text', data.get('id'))}")
        elif kind == "state" and data.get("state") == "making safe":
            self._say(at, "making the bench safe")
        elif kind == "safe" and data.get("phase") in ("missed", "again"):
            self._say(at, f"   {data['phase']}: {data.get('says', '')}: {data.get('text', '')}")
        elif kind == "note":
            self._say(at, f"   {data.get('text', '')}")
        elif kind == "polling":
            self._polling(at, data.get("missed") or {})
        elif kind == "ask":
            self._say(at, f"? {data.get('text', '')}")

    def _polling(self, at: float, missed: dict[str, int]) -> None:
        for name, count in missed.items():
            if count != self._missed.get(name):
                self._missed[name] = count
                self._say(at, f"   {name}: {count} missed poll{'s' if count != 1 else ''}")

    def _begin(self, data: dict[str, Any]) -> None:
        self._steps = list(data.get("steps", []))
        bench = "SIMULATED BENCH" if data.get("simulated") else data.get("bench", "")
        self._write(f"{data.get('procedure')} - {data.get('pairing')} - {bench}")
        if data.get("purpose"):
            self._write(textwrap.fill(str(data["purpose"]), width()))
        for finding in data.get("preflight", []):
            self._aside(f"from the pairing's card: {finding}", "  ")
        for caution in data.get("cautions", []):
            self._aside(f"caution: {caution}", "  ")
        slowest = max(
            (float(guard.get("acts_within") or 0.0) for guard in data.get("guards", [])), default=0.0
        )
        if slowest:
            text = (
                f"{len(data['guards'])} guards, the slowest acts within {show(slowest, 's', 2)} of its crossing: "
                "protecting people and equipment is the hardware's task"
            )
            self._aside(text, "  ")

    def _step(self, at: float, index: int, name: str) -> None:
        step = self._steps[index] if index < len(self._steps) else {}
        title = f"{name}: {step['title']}" if step.get("title") else name
        self._say(at, f"({index + 1}/{len(self._steps)}) {title}")
        for caution in step.get("cautions", []):
            self._aside(f"caution: {caution}")
        says = str(step.get("says") or "")
        if says and says not in self._said:  # a repeated step explains itself once
            self._said.add(says)
            self._aside(says)

    def _aside(self, text: str, indent: str = " " * 13) -> None:
        hanging = indent + "  "
        self._write(textwrap.fill(text, width(), initial_indent=indent, subsequent_indent=hanging))

    def _say(self, at: float, text: str) -> None:
        self._write(f"{at:9.1f} s  {text}")

    def _write(self, text: str) -> None:
        if self._sink is not None:
            print(text, file=self._sink, flush=True)
