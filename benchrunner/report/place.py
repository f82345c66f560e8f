"""Puts what was made in its place: all of it or nothing, and never over the record itself."""

import os
from pathlib import Path

from benchrunner.errors import Problem, Refused


def place(made: bytes, out: Path | str, record: Path | None = None) -> Path:
    """Write `made` to `out` at once (an older file is replaced). Raises `Refused`."""
    out = Path(out)
    if record is not None and out.exists() and out.samefile(record):
        raise Refused(
            Problem(str(out), "is the record itself", "choose another --out; a record is never written over")
        )
    draft = out.with_name(f".{out.name}.{os.getpid()}")
    try:
        draft.write_bytes(made)
        os.replace(draft, out)
    except OSError as error:
        draft.unlink(missing_ok=True)
        raise Refused(
            Problem(str(out), f"cannot be written: {error.strerror}", "choose another --out")
        ) from error
    return out
