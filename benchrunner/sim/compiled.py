"""Owns how the simulation's kernels are compiled: numba, cached in a folder of the user's own.

numba raises at decoration when it finds no folder to cache in (a read-only installation without a home), and
loads its cache with pickle, so the folder must be one that only this user can write. Where there is none the
kernels are compiled anew in each process, which costs seconds, not correctness.
"""

import contextlib
import hashlib
import inspect
import os
import re
import stat
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

Kernel = Callable[..., Any]
_PRIVATE = 0o700
SHORT = 40  # lines of source


def cache_folder() -> Path | None:
    """The folder for compiled kernels, made if need be; None where the user has none to write in."""
    import platformdirs

    try:
        numba = Path(platformdirs.user_cache_dir("benchrunner", appauthor=False)) / "numba"
        folder = numba / sources_digest()
        new = not folder.exists()
        folder.mkdir(parents=True, exist_ok=True, mode=_PRIVATE)
        if new:  # a new version of the program: the old ones' kernels are of no more use
            clear_old(folder)
        if not os.access(folder, os.W_OK):
            return None
        if sys.platform != "win32":  # Windows keeps a user's cache folder private by inheritance
            state = folder.stat()
            if state.st_uid != os.getuid() or state.st_mode & (stat.S_IWGRP | stat.S_IWOTH):
                return None
    except (OSError, RuntimeError):  # RuntimeError: no home folder to be found
        return None
    return folder


def clear_old(folder: Path, keep: int = 3) -> int:
    """Remove what other versions of the kernels left beside `folder`, but for the `keep` newest; how many were removed.

    Only folders named as this program names them, and in them only numba's own files. Errors are let go.
    """
    removed = 0
    with contextlib.suppress(OSError):
        others = [
            place
            for place in folder.parent.iterdir()
            if place != folder and re.fullmatch(r"[0-9a-f]{16}", place.name) and not place.is_symlink()
        ]
        others.sort(key=lambda place: place.stat().st_mtime, reverse=True)
        for place in others[keep:]:
            for inner in place.rglob("*"):
                if inner.suffix in (".nbi", ".nbc") and inner.is_file() and not inner.is_symlink():
                    inner.unlink(missing_ok=True)
            for inner in sorted((p for p in place.rglob("*") if p.is_dir()), reverse=True):
                inner.rmdir()
            place.rmdir()
            removed += 1
    return removed


def sources_digest() -> str:
    """Of the plant's kernels, which call one another across files, and of how they are compiled.

    numba looks only at the file of the kernel that it loads, not at the files of those that this one calls, so a
    change there would go unseen in a folder that all versions share. Kernels elsewhere keep to their own file.
    """
    here = Path(__file__).resolve().parent
    digest = hashlib.sha256()
    for source in (here / "layout.py", here / "compiled.py", *sorted((here / "kernel").glob("*.py"))):
        digest.update(source.name.encode() + b"\0" + source.read_bytes())
    return digest.hexdigest()[:16]


def _prepare() -> bool:
    """Point numba at the folder, unless the user already chose one; True where kernels may be cached."""
    chosen = os.environ.get("NUMBA_CACHE_DIR")
    if not chosen:
        folder = cache_folder()
        if folder is None:
            return False
        os.environ["NUMBA_CACHE_DIR"] = chosen = str(folder)
    import numba

    numba.config.CACHE_DIR = chosen  # it reads the variable only when first imported
    _leave_blas()
    return os.access(chosen, os.W_OK) or not Path(chosen).exists()


def _leave_blas() -> None:
    """Load numba's array functions without looking for BLAS, which loads scipy.linalg: a fifth of what a plant takes to start.

    No kernel here uses it. It is there (scipy is required), and numba looks again where a kernel of somebody else does.
    """
    with contextlib.suppress(ImportError, AttributeError):  # another numba may keep this elsewhere
        from numba.np import linalg

        look, linalg.ensure_blas = linalg.ensure_blas, lambda: None
        try:
            import numba.np.arraymath  # noqa: F401  (it looks as it is imported)
        finally:
            linalg.ensure_blas = look


def compiled(function: Kernel) -> Kernel:
    """Compile a kernel on its first call, cached where allowed; no fast-math: two runs agree bit for bit."""
    return _compile(function, fastmath=False)


def releasing(function: Kernel) -> Kernel:
    """As `compiled`, for what takes long and touches arrays of its own only: other threads of Python go on meanwhile."""
    return _compile(function, fastmath=False, nogil=True)


def borrowing(function: Kernel) -> Kernel:
    """As `compiled`, for kernels that make no arrays: they borrow their caller's and count no references to them.

    Counting took two thirds of a step of the plant. Division by zero gives infinity instead of an error. Short ones become
    part of their callers, since each call of one kernel by another looks whether it raised: with the calls the plant is at
    1.6 times the time of the same equations in C, without them at 1.2 (tests/speed/plant.py). Compiling takes longer for it.
    """
    options: dict[str, Any] = {"fastmath": False, "error_model": "numpy", "_nrt": False}
    if len(inspect.getsource(function).splitlines()) < SHORT:
        options["inline"] = "always"
    return _compile(function, **options)


def _compile(function: Kernel, **options: Any) -> Kernel:
    cache = _prepare()
    import numba

    try:
        kernel: Kernel = numba.njit(cache=cache, **options)(function)
    except RuntimeError:  # "cannot cache function": no locator accepted the folder after all
        kernel = numba.njit(**options)(function)
    return kernel
