"""Keeps tables that take long to work out in a folder of the user's own, so that the next run need not load what makes them.

pvlib and scipy cost more than half a second to load, and a run uses them for a handful of curves. What is kept is plain
numbers (`.npy` without pickle), named by the digest of everything that they follow from; a file that is not as it should
be is worked out anew. Where no folder can be written nothing is kept.
"""

import contextlib
import hashlib
import os
import tempfile
from collections.abc import Callable
from functools import lru_cache
from importlib.metadata import version
from pathlib import Path

import numpy as np
import numpy.typing as npt

from benchrunner.sim.compiled import cache_folder

Array = npt.NDArray[np.float64]
MOST = 500  # tables kept; those not used for longest make room


def kept(
    source: str, library: str, of: object, shape: tuple[int, ...], work_out: Callable[[], Array]
) -> Array:
    """The table that `work_out` gives, from the folder where it is there already.

    `source`: the file whose code works it out; `library`: what it is worked out with; `of`: the arguments, whose `repr`
    tells them apart to the last bit. All three, and the versions of the library and of numpy, go into the name.
    """
    folder = _folder()
    if folder is None:
        return work_out()
    words = (_digest(source), library, version(library), np.__version__, repr(of))
    place = folder / f"{hashlib.sha256(repr(words).encode()).hexdigest()[:40]}.npy"
    with contextlib.suppress(OSError, ValueError, EOFError):
        if place.stat().st_size <= 256 + 8 * int(np.prod(shape)):
            found = np.load(place, allow_pickle=False)
            if found.shape == shape and found.dtype == np.float64 and np.isfinite(found).all():
                with contextlib.suppress(OSError):
                    os.utime(place)  # what is used stays
                return np.ascontiguousarray(found)
    made = np.ascontiguousarray(work_out(), dtype=np.float64)
    with contextlib.suppress(OSError):
        _make_room(folder)
        handle, draft = tempfile.mkstemp(dir=folder, suffix=".new")
        with os.fdopen(handle, "wb") as stream:
            np.save(stream, made, allow_pickle=False)
        os.replace(draft, place)
    return made


def _make_room(folder: Path) -> None:
    """Take away a quarter of a full folder, what was not used for longest. Another process may do the same meanwhile."""
    files = list(folder.iterdir())
    if len(files) < MOST:
        return
    by_use: list[tuple[float, Path]] = []
    for path in files:
        with contextlib.suppress(OSError):
            by_use.append((path.stat().st_mtime, path))
    for _, path in sorted(by_use)[: max(1, len(files) - MOST * 3 // 4)]:
        with contextlib.suppress(OSError):
            path.unlink()


@lru_cache(maxsize=1)
def _folder() -> Path | None:
    compiled = cache_folder()  # private to this user; an answer of None is the same here
    if compiled is None:
        return None
    folder = compiled.parent.parent / "tables"
    try:
        folder.mkdir(exist_ok=True, mode=0o700)
    except OSError:
        return None
    return folder


@lru_cache(maxsize=8)
def _digest(source: str) -> str:
    return hashlib.sha256(Path(source).read_bytes()).hexdigest()
