"""What a crashed run left, sealed as a record that says "did not finish".

Nothing is added: no reading, no verdict. Checks that were not judged say so; where the journal breaks off, the header
states after which bench time and how many bytes could not be read. Whether the bench was made safe is not known.
"""

import os
from pathlib import Path

from benchrunner.errors import Problem
from benchrunner.record import journal, seal
from benchrunner.record.keys import SigningKey


def recover(source: Path | str, to: Path | str | None = None, key: SigningKey | None = None) -> Path:
    """Seal the journal of a run that ended without sealing. `source`: the run's folder or its journal.

    The record goes beside the journal unless told otherwise; the journal is left as it is. Raises
    `journal.JournalError` where there is no journal, `seal.SealError` where nothing was run, or where another process
    still writes it.
    """
    source = Path(source)
    path = source / journal.FILE_NAME if source.is_dir() else source
    if _growing(path):
        raise seal.SealError(Problem(str(path), "is still being written", "wait until the run has ended"))
    return seal.seal(path, to if to is not None else path.parent, key, ended_by="crash")


def _growing(path: Path) -> bool:
    """Whether somebody writes the journal now: a writer holds something new at least every second while inputs come."""
    import time

    try:
        before = os.stat(path)
        if abs(time.time() - before.st_mtime) > 5:
            return False
        time.sleep(1.2)
        after = os.stat(path)
    except OSError as error:
        raise journal.JournalError(
            Problem(
                str(path), f"cannot be read: {error.strerror}", "give the run's folder or its run.journal"
            )
        ) from error
    return after.st_size != before.st_size
