"""What a run says on the command line: progress as it goes, the table of checks, the end state."""

from typing import IO, Any

from benchrunner.units import show

_NAMED = 3  # checks that share a reason are named up to so many, counted beyond
MARKS = {"pass": "[+]", "fail": "[x]", "inconclusive": "[?]", "not judged": "[ ]", "not applicable": "[-]"}


def number(value: float | None, unit: str) -> str:
    """A value for a table; a dash where there is none."""
    return "-" if value is None else show(value, unit)


def limit(check: dict[str, Any]) -> str:
    """The limit of a check in one cell."""
    low, high, unit = check.get("low"), check.get("high"), check.get("unit", "1")
    if low is not None and high is not None:
        return f"{number(low, unit)} .. {number(high, unit)}"
    if high is not None:
        return f"<= {number(high, unit)}"
    return f">= {number(low, unit)}" if low is not None else "-"


def margin(check: dict[str, Any]) -> str:
    """The margin in the unit and in multiples of the uncertainty."""
    value, expanded = check.get("margin"), check.get("uncertainty")
    if value is None:
        return "-"
    text = number(value, check.get("unit", "1"))
    return f"{text} = {value / expanded:.1f} U" if expanded else text


def table(checks: list[dict[str, Any]], sink: IO[str]) -> None:
    """All checks with value, limit, uncertainty, margin and verdict, in aligned columns."""
    head = ("check", "value", "limit", "U", "margin", "verdict")
    rows = [
        (
            f"{check.get('step', '')}/{check['id']}" if check.get("step") else str(check["id"]),
            number(check.get("value"), check.get("unit", "1")),
            limit(check),
            number(check.get("uncertainty"), check.get("unit", "1"))
            if check.get("uncertainty") is not None
            else "not evaluated",
            margin(check),
            f"{MARKS.get(check['verdict'], '[ ]')} {check['verdict']}",
        )
        for check in checks
    ]
    widths = [max(len(row[k]) for row in [head, *rows]) for k in range(len(head))]
    for row in [head, *rows]:
        cells = [
            cell.ljust(width) if k in (0, 5) else cell.rjust(width)
            for k, (cell, width) in enumerate(zip(row, widths, strict=True))
        ]
        print("  " + "  ".join(cells).rstrip(), file=sink)
    reasons: dict[str, list[str]] = {}
    for check in checks:
        if check["verdict"] != "pass" and check.get("reason"):
            reasons.setdefault(check["reason"], []).append(check["id"])
    for reason, names in reasons.items():
        print(
            f"  {', '.join(names) if len(names) <= _NAMED else f'{len(names)} checks'}: {reason}", file=sink
        )


def outcome(ended: dict[str, Any], checks: list[dict[str, Any]], sink: IO[str]) -> None:
    """The end of a run in words."""
    if checks:
        print(file=sink)
        table(checks, sink)
    print(file=sink)
    if ended.get("simulated"):
        print("SIMULATED BENCH: not evidence about any real equipment.", file=sink)
    print(
        f"verdict: {ended.get('verdict', 'not judged')}"
        + (
            ""
            if ended.get("finished")
            else f" - the run did not finish: {ended.get('reason') or ended.get('ended_by', '')}"
        ),
        file=sink,
    )
    if ended.get("safe_text"):
        print(f"bench: {ended['safe_text']}", file=sink)
    if ended.get("safe") == "not confirmed":
        print(
            "ALARM: the safe state could NOT be confirmed. Isolate the sources by hand and prove dead before touching anything.",
            file=sink,
        )
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
        self._steps = 0

    def show(self, event: dict[str, Any]) -> None:
        """One event."""
        kind, data, at = event["kind"], event["data"], float(event.get("at") or 0.0)
        if kind == "check":
            self.checks.append(data)
            self._say(
                at,
                f"   {MARKS.get(data['verdict'], '[ ]')} {data['id']}: {number(data.get('value'), data.get('unit', '1'))}, limit {limit(data)}",
            )
        elif kind == "prepared":
            self._steps = len(data.get("steps", []))
            if self._sink is not None:
                bench = "SIMULATED BENCH" if data.get("simulated") else data.get("bench", "")
                print(
                    f"{data.get('procedure')} - {data.get('pairing')} - {bench}", file=self._sink, flush=True
                )
                for caution in data.get("cautions", []):
                    print(f"  caution: {caution}", file=self._sink)
        elif kind == "step" and data.get("phase") == "started":
            self._say(
                at, f"({int(data.get('index', 0)) + 1}/{self._steps}) {data.get('title') or data.get('id')}"
            )
        elif kind == "step" and data.get("phase") in ("failed", "skipped"):
            self._say(at, f"   {data.get('text', '')}")
        elif kind == "guard":
            self._say(at, f"GUARD {data.get('text', data.get('id'))}")
        elif kind == "state" and data.get("state") == "making safe":
            self._say(at, "making the bench safe")
        elif kind == "safe" and data.get("phase") in ("missed", "again"):
            self._say(at, f"   {data['phase']}: {data.get('says', '')} {data.get('text', '')}")
        elif kind == "note":
            self._say(at, f"   {data.get('text', '')}")
        elif kind == "ask":
            self._say(at, f"? {data.get('text', '')}")

    def _say(self, at: float, text: str) -> None:
        if self._sink is not None:
            print(f"{at:9.1f} s  {text}", file=self._sink, flush=True)
