"""From a record to the report's content, with every damage turned into a refusal in words."""

from collections.abc import Callable
from typing import Any, TypeVar

from benchrunner.errors import Problem, Refused
from benchrunner.record.opened import Record
from benchrunner.record.verify import verify
from benchrunner.report.content import content
from benchrunner.report.laboratory import LaboratoryCard

T = TypeVar("T")
LOCAL_CODES = (
    "Hazardous AC and DC voltages, stored energy and backfeed: local codes, the makers' manuals and licensed practice "
    "come first."
)
SIGNING = (
    "A signature shows that nothing was changed since and that the signer had the key; who that is, the laboratory's list "
    "of keys says. Check it anew with 'benchrunner verify'."
)
IDENTITY = (
    "The record is the result; this report is a view of it. Two reports of one record may differ in their bytes (date of "
    "issue, fonts); what identifies the result is the record's number and the digests under Program and data."
)
SECTIONS = (
    ("summary", "Summary"),
    ("what", "What was tested, with what"),
    ("clauses", "Items of ISO/IEC 17025:2017, 7.8"),
    ("checks", "Checks"),
    ("rule", "Decision rule and uncertainty"),
    ("course", "Course of the run"),
    ("balance", "Energy balance"),
    ("steps", "Steps"),
    ("cautions", "Cautions"),
    ("instruments", "Instruments"),
    ("safe", "Making safe"),
    ("deviations", "Deviations from the procedure and operator's notes"),
    ("messages", "Messages of the program during the run"),
    ("settings", "Nameplates and settings"),
    ("program", "Program and data"),
    ("signatures", "Signatures"),
    ("scope", "What this report is and is not"),
)


def make(
    record: Record,
    laboratory: LaboratoryCard | None,
    render: Callable[[dict[str, Any]], T],
    panels_at_once: int | None = None,
) -> T:
    """The content, rendered. Raises `Refused` for a record whose header or parts are not what the format says."""
    verification = verify(record.path, allow_unsigned=True)
    try:
        made = content(record, verification, laboratory, panels_at_once=panels_at_once)
        absent = {
            key for key, there in (("course", made["overview"]), ("settings", made["settings"])) if not there
        }
        made["sections"] = [[key, name] for key, name in SECTIONS if key not in absent]
        made |= {"local_codes": LOCAL_CODES, "signing": SIGNING, "identity": IDENTITY}
        return render(made)
    except (KeyError, TypeError, ValueError, AttributeError, IndexError) as error:
        what = f"cannot be shown: {type(error).__name__}: {error}"
        raise Refused(
            Problem(str(record.path), what, "the record is damaged; 'benchrunner verify' says where")
        ) from error
