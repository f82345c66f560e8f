"""Finds procedures, driver cards and resources in a wheel, an editable install and the source tree alike.

In the source tree (and an editable install, which points there) the three folders lie beside the package; a wheel
carries them inside this one. A lab's own folders are searched before ours and never written to.
"""

import os
from pathlib import Path

from benchrunner.errors import Problem, Refused

FOLDERS = ("procedures", "drivers", "resources")


def folder(name: str) -> Path:
    """The shipped folder of that name. Raises `FileNotFoundError` if the installation is damaged."""
    if name not in FOLDERS:
        raise ValueError(f"no shipped folder {name!r}; there are {', '.join(FOLDERS)}")
    package = Path(__file__).resolve().parent
    source = package.parent.parent
    if (source / "pyproject.toml").is_file() and (source / name).is_dir():
        return source / name
    if (package / name).is_dir():
        return package / name
    raise FileNotFoundError(
        f"the folder {name!r} is missing from this installation: install benchrunner again"
    )


def lab_folders(name: str) -> list[Path]:
    """The lab's own folders of that kind, from BENCHRUNNER_PATH (separated as PATH is on this system)."""
    roots = [Path(part) for part in os.environ.get("BENCHRUNNER_PATH", "").split(os.pathsep) if part]
    return [root / name for root in roots if (root / name).is_dir()]


def find(name: str, kind: str, inside: str = "") -> Path:
    """The file that a person meant by `name`: a path as given, or a bare name in the lab's or the shipped folder.

    `kind` is one of `FOLDERS`; `inside` a folder in it (`pairings`). Raises `Refused`, listing what there is.
    """
    given = Path(name)
    if given.is_file():
        return given
    places = [place / inside for place in (*lab_folders(kind), folder(kind))]
    if given.parent == Path("."):
        stem = given.name.removesuffix(".toml")
        for place in places:
            if (place / f"{stem}.toml").is_file():
                return place / f"{stem}.toml"
    lost = [
        part
        for part in os.environ.get("BENCHRUNNER_PATH", "").split(os.pathsep)
        if part and not Path(part).is_dir()
    ]
    there = sorted({path.stem for place in places if place.is_dir() for path in place.glob("*.toml")})
    what = "is a folder, not a file" if name and given.is_dir() else "there is no such file"
    mend = f"give a path, or one of: {', '.join(there)}"
    if lost:
        mend += f"; BENCHRUNNER_PATH names folders that are not there: {', '.join(lost)}"
    raise Refused(Problem(name or "''", f"{what} ({inside or kind})", mend))
