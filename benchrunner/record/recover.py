"""What a crashed run left, sealed as a record that says "did not finish".

Nothing is added: no reading, no verdict. Checks that were not judged say so; where the journal breaks off,
the header states after which bench time and how many bytes could not be read. Whether the bench was made
safe is not known.
"""

import contextlib
import glob
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from benchrunner.errors import Problem, Refused
from benchrunner.record import account, journal, lock
from benchrunner.record.keys import SigningKey
from benchrunner.record.opened import Record
from benchrunner.record.seal import SUFFIX, SealError, seal


@dataclass(frozen=True)
class Recovered:
    """The record made, and what there is to say about it, one line each."""

    record: Path
    says: tuple[str, ...]


def recover(
    source: Path | str, to: Path | str | None = None, key: SigningKey | None = None, server: str = ""
) -> Recovered:
    """Seal the journal of a run that ended without sealing. `source`: the run's folder or its journal.

    The record goes beside the run's folder unless told otherwise, and never over another file; the journal
    stays as it is. `server`: a time-stamp server asked for a token over the signature. Raises `Refused` where there is no journal, nothing was run, or somebody still writes it.
    """
    path = Path(source)
    if path.is_dir():
        runs = sorted(p.parent.name for p in path.glob(f"*/{journal.FILE_NAME}"))
        if runs and not (path / journal.FILE_NAME).exists():
            mend = f"name one of the runs in it: {', '.join(runs[:5])}" + (", ..." if len(runs) > 5 else "")
            raise Refused(Problem(str(path), "is no run's folder", mend))
        path = path / journal.FILE_NAME
    folder = path.absolute().parent
    living = lock.held(folder) if path.name == journal.FILE_NAME else None
    if living if living is not None else _growing(path):
        mend = "wait until the run has ended, or stop it; what it leaves then is sealed by itself"
        raise Refused(Problem(str(path), "is still being written by a run that lives", mend))
    try:
        target = to if to is not None else folder.with_name(folder.name + SUFFIX)
        earlier = sorted(folder.parent.glob(f"{glob.escape(folder.name)}*{SUFFIX}"))
        kept = {name: text for name, text in ((account.FILE_NAME, account.raw(folder)),) if text}
        missing: list[Problem] = []
        record = seal(
            path, target, key, ended_by="crash", attached=kept, server=server, unstamped=missing.append
        )
        header = Record.open(record).header
    except (journal.JournalError, SealError) as error:
        raise Refused(error.problem) from error
    for left in ("reserve", lock.FILE_NAME):
        with contextlib.suppress(OSError):
            (folder / left).unlink()
    says = _says(header, account.account_says(folder))
    if key is None:
        says.append("not signed: give --key NAME, or 'countersign' it")
    if missing:
        says.append(
            f"THE TIME STAMP IS MISSING: {missing[0].where} {missing[0].what}; "
            f"add it afterwards: benchrunner timestamp {record} --server {server}"
        )
    if others := [p.name for p in earlier if p != record and _same_run(p, header)]:
        says.append(f"sealed before as {', '.join(others[:3])}: keep one of them, or the run counts twice")
    return Recovered(record, tuple(says))


def _same_run(path: Path, header: dict[str, Any]) -> bool:
    """Whether a record beside it is of the run that began at that millisecond."""
    try:
        return bool(Record.open(path).header.get("started") == header["started"])
    except (Refused, OSError):
        return False


def _says(header: dict[str, Any], watchdog: list[str]) -> list[str]:
    counts, gap, checks = header["counts"], header["gap"], header["checks"]
    lines = [
        f"kept: {counts['inputs']} inputs with {counts['readings']} readings, {counts['waveforms']} waveforms"
    ]
    if gap is not None:
        lines.append(str(gap["says"]))
        if gap["bytes_lost"]:
            lines.append(f"{gap['bytes_lost']} bytes at the journal's end could not be read")
    open_checks = sum(1 for check in checks if check["verdict"] == "not judged")
    lines.append(f"checks judged: {len(checks) - open_checks}; not judged: {open_checks}")
    if header["finished"]:
        lines.append("the run had finished; only its sealing was missing")
    else:
        lines.append("did not finish")
    lines += watchdog  # its account is in the record too, word for word
    if header["safe"]["state"] not in ("confirmed", "not needed") and not any(
        line.startswith(account.ENDED) for line in watchdog
    ):
        lines.append("whether the bench was made safe is NOT known from this journal: check it by meter")
    return lines


def _growing(path: Path) -> bool:
    """The same where no lock tells: while inputs come, a writer hands over something every second."""
    try:
        before = path.stat()
        if abs(time.time() - before.st_mtime) > 5:
            return False
        time.sleep(1.2)
        after = path.stat()
    except OSError as error:
        problem = Problem(
            str(path), f"cannot be read: {error.strerror}", "give the run's folder or its run.journal"
        )
        raise Refused(problem) from error
    return after.st_size != before.st_size
