"""The laboratory card's part on sealing: which time-stamp server (RFC 3161) its records are stamped by.

One TOML file holds it for the laboratory (`resources/laboratories/`): named by `run --laboratory FILE`, or once and for
all, the window included, by the environment variable BENCHRUNNER_LABORATORY. Without either nothing is asked over a network.
"""

import os
from pathlib import Path
from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, Field

from benchrunner.cards import reading
from benchrunner.errors import Problem, Refused

VARIABLE = "BENCHRUNNER_LABORATORY"


class Sealing(BaseModel):
    """`[sealing]` of a laboratory card."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    time_stamps: Annotated[
        str, Field(max_length=300, description="address of the time-stamp server; empty: no stamps")
    ] = ""


class _Only(BaseModel):
    """The whole card, of which only one part is read here; the report reads, and checks, the rest."""

    model_config = ConfigDict(extra="ignore", frozen=True)

    format: Any = None
    sealing: Sealing = Sealing()


def time_stamp_server(asked: str = "", card: Path | str = "") -> str:
    """The server a run's record is stamped by: `asked`, or what the laboratory card says, or none ("").

    `card`: the laboratory card; else the one that BENCHRUNNER_LABORATORY names. Raises `Refused` for an address that is none
    and for a card that cannot be read.
    """
    where, url = "--timestamp", asked.strip()
    if asked and not url:
        raise Refused(Problem(where, "is no web address", "give http://... or https://..., or leave it away"))
    if not url:
        path = str(card or os.environ.get(VARIABLE, ""))
        if not path:
            return ""
        where = f"{path}: sealing.time_stamps"
        url = reading.fit(reading.load(path), _Only).sealing.time_stamps.strip()
        if not url:
            return ""
    if not url.lower().startswith(("http://", "https://")):
        raise Refused(Problem(where, f"{url[:100]!r} is no web address", "give http://... or https://..."))
    return url
