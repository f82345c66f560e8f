"""What the window says in words: verdicts, checks, times, the end of a run."""

from collections.abc import Iterable, Sequence
from dataclasses import fields
from typing import Any

from benchrunner.app.model.mends import text_here
from benchrunner.app.model.signs import with_minus
from benchrunner.report import words
from benchrunner.units import show

SHAPES = {"pass": "●", "fail": "✕", "inconclusive": "?", "not judged": "○", "not applicable": "–"}
_NAMED = 4  # checks that are named in one sentence
SIMULATED = "SIMULATED BENCH"
REAL = "REAL BENCH"
REAL_SHORT = "hazardous voltage"
REAL_SAYS = (
    "This is a real bench: a run switches hazardous AC and DC voltage, and battery and PV terminals stay live whatever the "
    "program does. Know where the bench's own emergency stop is before you start: the software stop is no emergency stop."
)
_STAYS = "battery and PV terminals stay live"
_PROVE = "prove dead before touching anything"
REAL_END = f"Real bench: {_STAYS}. Isolate and {_PROVE}."
NO_EMERGENCY_STOP = "Make safe is no emergency stop: in danger use the hardware one."
MAKE_SAFE_DOES = (
    "Asks the engine to bring the bench to its safe state in the declared order and to confirm it by meter. It takes "
    "seconds and can fail."
)
MAKE_SAFE_SAYS = f"{MAKE_SAFE_DOES} It is no emergency stop: in danger use the hardware one. Also: hold Esc for one second."
NO_RUN = "No run yet. Prepare one: Ctrl+1."
PRE_POWER = "The pre-power checks are done and recorded"
PRE_POWER_WHICH = (
    "Insulation, polarity, protective earth, neutral bond, residual-current device, emergency stop proved."
)
DEFERS = (
    "The installation rules in force, the network operator and the makers' instructions take precedence. Work only by "
    "qualified persons under the site's safety rules."
)


def real_says(cautions: Iterable[str]) -> str:
    """What a real bench asks before a run beside these cautions of its procedure; what one of them says is not said again."""
    stays = (
        "" if any(_STAYS in caution for caution in cautions) else f", and {_STAYS} whatever the program does"
    )
    return f"A run switches hazardous AC and DC voltage{stays}. Know where the bench's own emergency stop is before you start."


def capital(text: str) -> str:
    """Text that begins a sentence; a channel or an instrument at its start keeps the name that it has."""
    first = text.split(" ", 1)[0].rstrip(".:,;")
    return text if "." in first or "_" in first else text[:1].upper() + text[1:]


def sentence(text: str) -> str:
    """Text as a sentence of its own."""
    return capital(text).rstrip(".") + "."


def clock(seconds: float) -> str:
    """Bench time: "1:07" or "2:03:09"."""
    whole = int(max(0.0, seconds))
    hours, rest = divmod(whole, 3600)
    return f"{hours}:{rest // 60:02d}:{rest % 60:02d}" if hours else f"{rest // 60}:{rest % 60:02d}"


def span(low: str, high: str) -> str:
    """A range in one text; a unit that both ends share is said once."""
    first, _, unit = low.partition(" ")
    return with_minus(f"{first} … {high}" if unit and high.endswith(f" {unit}") else f"{low} … {high}")


def bounds(guard: dict[str, Any]) -> str:
    """Where a guard trips: "below 44.8 V, above 58.4 V"."""
    unit = str(guard.get("unit", ""))
    ends = (("below", guard.get("low")), ("above", guard.get("high")))
    return ", ".join(f"{word} {show(float(end), unit, 4)}" for word, end in ends if end is not None).replace(
        "-", "−"
    )


def acts_within(guard: dict[str, Any]) -> str:
    """Within how long the program acts on a guard."""
    found = guard.get("acts_within")
    return show(float(found), "s", 2) if found else "not known"


def check_lines(check: dict[str, Any]) -> tuple[str, str, str]:
    """A check in three short lines: what it is, value against limit, margin."""
    figures = words.figures(check)
    margin = figures.margin + _in_u(figures.in_u)
    if figures.uncertainty == "not evaluated":
        margin += ", U not evaluated"
    return (
        check_title(check),
        f"{figures.value}, {figures.limit}",
        f"margin {margin}",
    )


def check_title(check: dict[str, Any]) -> str:
    """What a check is about, in words."""
    return with_minus(str(check.get("title") or check.get("id", "")))


def _in_u(times: str) -> str:
    """The margin in multiples of U, to follow the margin: " = +3.6 U"; beyond what is counted ", > +100 U"."""
    return "" if not times else f", {times}" if times[0] in "<>" else f" = {times}"


def check_name(check: dict[str, Any]) -> str:
    """The short name of a check; `reached` is every step's, so its step is named too."""
    name, step = str(check.get("id", "")), str(check.get("step") or "")
    return f"{step}/{name}" if step and (name == "reached" or "[" in step) else name


def reason(check: dict[str, Any]) -> str:
    """Why it was judged so, in the units of the figures beside it."""
    return with_minus(words.reason(check))


def check_details(check: dict[str, Any]) -> list[tuple[str, str]]:
    """All that is known of a check, as name and text."""
    figures = words.figures(check)
    rows = [
        ("Check", f"{check.get('step', '')}/{check.get('id', '')}".lstrip("/")),
        ("Verdict", str(check.get("verdict", ""))),
        ("Measured", f"{check.get('measure', '')} {('of ' + check['of']) if check.get('of') else ''}".strip()),
        ("Value", figures.value),
        ("Limit", figures.limit),
        ("Uncertainty U", f"{figures.uncertainty} (k = {check.get('k', 2):g})" if check.get("uncertainty") is not None else figures.uncertainty),
        ("Margin", figures.margin + _in_u(figures.in_u)),
        ("Rule", str(check.get("rule", ""))),
        ("Reason", reason(check)),
        ("Basis", with_minus(str(check.get("basis") or ""))),
        ("Judged at", f"{clock(float(check.get('at', 0.0)))} ({float(check.get('at', 0.0)):.1f} s)"),
    ]  # fmt: skip
    return [(name, text) for name, text in rows if text]


def tally(run: Any) -> str:
    """The checks in one line: how many of how many, and how they fell."""
    planned = run.planned_checks
    if not run.checks and (run.ended is None or not planned):
        return f"none yet of {planned}" if planned else "none yet" if run.ended is None else "none"
    counts = {verdict: run.count(verdict) for verdict in SHAPES}
    if run.ended is not None:  # what the run did not come to counts as well
        counts["not judged"] += max(0, planned - len(run.checks))
    parts = [f"{count} {verdict}" for verdict, count in counts.items() if count]
    return f"{sum(counts.values())}: " + ", ".join(parts)


def step_line(run: Any) -> str:
    """Where the run stands, in one line."""
    if run.ended is not None:
        return "Refused before anything was switched on." if run.refused else "Ended."
    step = run.current
    if step is None:
        if run.getting_ready and run.safe_asked:
            return f"Make safe was heard and takes hold as soon as {_ready_when(run)}."
        if not run.state:
            return f"Getting ready: {_doing(run)}" if run.prepared else NO_RUN
        if run.state == "making safe":
            confirmed = sum(1 for order in run.safe if order.phase == "confirmed")
            return f"Making the bench safe: {confirmed} order{'' if confirmed == 1 else 's'} confirmed."
        if run.state == "starting":
            return "Looking whether the bench is as the procedure needs it."
        state = str(run.state)
        return f"{state.capitalize()}."
    text = f"Step {step.index + 1} of {len(run.steps)}: {step.title}"
    if step.repeat:
        text += f" (repeat {step.repeat})"
    return text


def ends_when(run: Any) -> str:
    """What happens to a make safe that was asked for before the run began: the engine hears it once it is ready."""
    switched = "nothing is switched on yet" if run.simulated else "this run has switched nothing on yet"
    return f"{switched}; the run ends as soon as {_ready_when(run)}."


def _ready_when(run: Any) -> str:
    return "the simulated bench is compiled" if run.compiling else "the engine has got the bench ready"


def _doing(run: Any) -> str:
    """What the engine said last that it does before the run begins."""
    return (
        run.notes[-1].text
        if run.notes
        else "reading the cards, opening the bench, asking every instrument who it is."
    )


def said_before(run: Any) -> str:
    """What takes long before the run begins, and how long: what the engine said first of it."""
    first = run.compiling[0] if run.getting_ready and len(run.compiling) > 1 else ""
    return f"{first[:1].upper()}{first[1:]}." if first else ""


def ready_line(waited: float) -> str:
    """How long a person has waited for the run to begin, by the clock on the wall."""
    return f"{clock(waited)} since the start was asked for; the procedure has not begun."


def wait_line(run: Any) -> str:
    """What the current step waits for, and for how long it may."""
    step = run.current
    if step is not None and run.question is not None:
        spent = clock(run.at - (step.started or 0.0))
        return f"Waits for the answer; {spent} of at most {clock(step.at_most)} on the bench's clock."
    if step is None and run.state == "making safe" and run.ended is None:
        return "; ".join(f"{order.says}: {order.phase}" for order in run.safe if order.phase != "confirmed")
    if step is None and run.state == "paused" and run.paused_since is not None:
        return (
            f"Guards stay live. {clock(run.at - run.paused_since)} of at most {clock(_pause_limit())} on the bench's "
            "clock; after that the bench is made safe and the run ends."
        )
    if step is None or not step.waits_for:
        return ""
    spent = run.at - (step.started or 0.0)
    return f"Until {step.waits_for}; {clock(spent)} of at most {clock(step.at_most)}."


_SEEN = " shows steps of the load "  # as the engine says it of each instrument; here it is said once


def polling_line(run: Any) -> str:
    """How the instruments are read: missed polls by instrument, worst first, and the skew between them at the end."""
    if not run.traces and not run.missed:
        return ""
    worst = sorted(run.missed.items(), key=lambda item: (-item[1], item[0]))
    missed = "Missed polls: " + (", ".join(f"{name} {count}" for name, count in worst if count) or "none")
    if run.skew:
        rows = [text.replace(_SEEN, " ") for text in run.skew]
        return f"{missed}. Skew between instruments, seen from steps of the load, not corrected: {'; '.join(rows)}."
    return f"{missed}."


def _pause_limit() -> float:
    """The longest pause of a run, s, as the runner holds it."""
    from benchrunner.core.plan import RunPlan

    return next(float(f.default) for f in fields(RunPlan) if f.name == "pause_limit")  # type: ignore[arg-type]


def outcome(ended: dict[str, Any], checks: Sequence[dict[str, Any]] = ()) -> tuple[str, str, list[str]]:
    """The end of a run: headline verdict, headline text, sentences."""
    code, verdict = int(ended.get("exit", 5)), str(ended.get("verdict", "not judged"))
    reason = text_here(str(ended.get("reason") or ended.get("ended_by") or ""))
    sentences: list[str] = []
    if code == 2:
        sentences.append("Refused before anything was switched on.")
        sentences += [text_here(f"{p['where']}: {p['what']}.") for p in ended.get("problems", [])[:_NAMED]]
        if not ended.get("problems") and reason not in ("", "refused"):
            sentences.append(sentence(reason))
        return "not judged", "Refused", sentences
    if ended.get("finished"):
        headline = verdict.capitalize()
    else:
        headline = "Did not finish"
        sentences.append(
            "No check was judged." if verdict == "not judged" else f"Verdict of what was judged: {verdict}."
        )
    sentences += _not_passed(checks)
    if reason:
        sentences.append(sentence(reason))
    if ended.get("safe") == "not confirmed":
        headline = "SAFE STATE NOT CONFIRMED"
        sentences.insert(
            0,
            "Treat the whole bench as live. Isolate the sources by hand, use the bench's own hardware switches and its "
            "emergency stop, and prove dead before touching anything.",
        )
    elif ended.get("safe") == "not needed":
        sentences.append("Nothing had been switched on.")
    if ended.get("safe_text") and ended.get("safe") == "confirmed":
        sentences.append(str(ended["safe_text"]))
    if ended.get("simulated") is False:
        sentences.append(_real_end(" ".join(sentences)))
    elif ended.get("simulated"):
        sentences.append("Simulated bench: not evidence about any real equipment.")
    failed = code == 5 or verdict == "fail"  # a failed check outdoes that the run did not finish
    return ("fail" if failed else verdict if ended.get("finished") else "not judged"), headline, sentences


def _real_end(said: str) -> str:
    """What holds on a real bench whatever came out; what is said already is not said again."""
    if _PROVE in said:
        return f"Real bench: {_STAYS}."
    return f"Real bench: isolate and {_PROVE}." if _STAYS in said else REAL_END


def _not_passed(checks: Sequence[dict[str, Any]]) -> list[str]:
    """Which checks did not pass, by name as far as they are few."""
    sentences = []
    for verdict, says in (("fail", "failed"), ("inconclusive", "inconclusive")):
        names = [check_name(check) for check in checks if check.get("verdict") == verdict]
        if names:
            named = ", ".join(names[:_NAMED]) + (" and others" if len(names) > _NAMED else "")
            sentences.append(f"{len(names)} of {len(checks)} checks {says}: {named}.")
    return sentences
