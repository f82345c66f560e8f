"""The laboratory card: what a report must say and a record cannot know (address, customer, who authorises).

One TOML file given to `report --laboratory FILE`. It never changes a record; what it does not state, the report
shows as "not stated".
"""

from pathlib import Path
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

from benchrunner.cards import reading
from benchrunner.record.sealing import Sealing

Line = Annotated[str, Field(max_length=300)]
Text = Annotated[str, Field(max_length=4000)]


class Part(BaseModel):
    """Every part refuses keys that it does not know."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class Laboratory(Part):
    """Who tests. `statement`: the laboratory's own words on its standing; we add none."""

    name: Line
    address: Line = ""
    contact: Line = ""
    statement: Text = ""


class Customer(Part):
    """For whom."""

    name: Line
    address: Line = ""
    contact: Line = ""


class Work(Part):
    """What ISO/IEC 17025:2017, 7.8.2 and 7.8.3 ask for beside the results.

    `provided`: data that the customer provided, which the report names and disclaims (7.8.2.2). `items_chosen_by`: where
    it was the customer, the results apply to the items as received.
    """

    place: Line = ""
    received: Line = ""
    condition: Text = ""
    sampling: Text = ""
    provided: Text = ""
    items_chosen_by: Literal["", "laboratory", "customer"] = ""
    environment: Text = ""
    external: Text = ""
    opinions: Text = ""
    amends: Line = ""


class Authorised(Part):
    """Who authorises the report (7.8.2.1 o)."""

    by: Line
    function: Line = ""


class LaboratoryCard(Part):
    """The whole card."""

    format: Literal[1]
    laboratory: Laboratory
    customer: Customer | None = None
    work: Work = Work()
    authorised: Authorised | None = None
    sealing: Sealing = Sealing()  # read when a run is sealed; no report shows it


def read_laboratory(path: Path | str) -> LaboratoryCard:
    """Read a laboratory card. Raises `Refused` with every problem found."""
    return reading.fit(reading.load(path), LaboratoryCard)
