"""Puts what was made in its place: all of it or nothing, and never over a record that it was made from."""

import os
from pathlib import Path

from benchrunner.errors import Problem, Refused


def place(made: bytes, out: Path | str, *records: Path, option: str = "--out") -> Path:
    """Write `made` to `out` at once (an older file is replaced); `option` chose that name. Raises `Refused`."""
    out = Path(out)
    if out.exists() and any(out.samefile(record) for record in records):
        raise Refused(
            Problem(
                str(out), "is the record itself", f"choose another {option}; a record is never written over"
            )
        )
    draft = out.with_name(f".{out.name}.{os.getpid()}")
    try:
        draft.write_bytes(made)
        os.replace(draft, out)
    except OSError as error:
        draft.unlink(missing_ok=True)
        raise Refused(
            Problem(str(out), f"cannot be written: {error.strerror}", f"choose another {option}")
        ) from error
    return out
