"""What a file is that is no record, told from how it begins, and what can be done with it instead."""

from pathlib import Path

from benchrunner.errors import Problem
from benchrunner.record.frames import FILE_NAME, MAGIC

GIVE = "give a record (.bench)"
IMPORT = "give a record (.bench); another logger's readings become one by: benchrunner import CSV"
BEGINNINGS = (
    (b"%PDF-", "a PDF", "give the record (.bench) that it reports on"),
    (b"<!doctype html", "a web page (HTML)", "give the record (.bench) that it reports on"),
    (b"<html", "a web page (HTML)", "give the record (.bench) that it reports on"),
    (b"\x89PNG", "a picture (PNG)", GIVE),
    (b"\xff\xd8\xff", "a picture (JPEG)", GIVE),
    (b"\x89HDF\r\n", "an HDF5 file", "give the record (.bench) that it was exported from"),
    (b"PAR1", "a Parquet file", "give the record (.bench) that it was exported from"),
    (b"SQLite format 3\0", "an SQLite database", "give a record (.bench); those of an archive: benchrunner archive search --paths"),
    (b"\x1f\x8b", "a gzip archive", "unpack it and give the record (.bench) in it"),
    (b"-----begin", "a key or certificate (PEM)", GIVE),
    (b"<?xml", "XML", GIVE),
)  # fmt: skip
HEAD = 4096


def no_record(path: Path, head: bytes, size: int, complaint: str = "") -> Problem:
    """The words for a file of `size` bytes that begins with `head` and holds not one member of a record.

    `complaint`: what is wrong with its directory, where it has an end record of a ZIP file.
    """
    if not size:
        return Problem(str(path), "is no record: it is empty", "give a record (.bench); was it copied whole?")
    if head.startswith(MAGIC):
        what = "is no record yet: it is the journal of a run that was not sealed"
        return Problem(str(path), what, f"seal it: benchrunner recover {path}")
    plain = head.removeprefix(b"\xef\xbb\xbf").lstrip().lower()
    for begin, name, mend in BEGINNINGS:
        if head.startswith(begin) or plain.startswith(begin):
            return Problem(str(path), f"is no record: it begins like {name}", mend)
    if head.startswith(b"PK\x03\x04"):
        what = "is no record: it is a ZIP file of another kind, or a record cut off in its first part"
        what = f"is no record: it is a ZIP file of another kind: {complaint}" if complaint else what
        return Problem(str(path), what, GIVE)
    if head.startswith(b"PK"):
        return Problem(str(path), "is no record: it is a ZIP file that holds nothing", GIVE)
    try:
        text = (
            head.removeprefix(b"\xef\xbb\xbf").decode("utf-8")
            if size <= HEAD
            else head[:-4].decode("utf-8", "strict")
        )
    except UnicodeDecodeError as error:
        text = head[: error.start].decode("utf-8") if size > HEAD and error.start > len(head) - 8 else ""
    if text and "\0" not in text:
        lines = [line for line in text.splitlines()[:20] if line.strip()]
        if plain.startswith((b"{", b"[{")):
            return Problem(str(path), "is no record: it begins like JSON", GIVE)
        if any(
            len({line.count(sign) for line in lines[-3:]}) == 1 and lines[-1].count(sign)
            for sign in ",;\t"
            if lines
        ):
            return Problem(str(path), "is no record: it reads like a CSV file", IMPORT)
        return Problem(str(path), "is no record: it is a text", GIVE)
    return Problem(str(path), f"is no record: its {size} bytes begin like nothing known here", GIVE)


def no_file(path: Path) -> Problem | None:
    """The words for a folder, or for a name that no file has; nothing where there is a file."""
    if path.is_file():
        return None
    if not path.exists():
        return Problem(str(path), "there is no such file", "give the record's path (.bench)")
    if not path.is_dir():
        return Problem(str(path), "is no file", "give the record's path (.bench)")
    if (path / FILE_NAME).is_file():
        what = "is the folder of a run that was not sealed, not a record"
        return Problem(str(path), what, f"seal it: benchrunner recover {path}")
    records = sorted(p.name for p in path.glob("*.bench"))
    if records:
        there = ", ".join(records[:3]) + (f" and {len(records) - 3} more" if len(records) > 3 else "")
        return Problem(str(path), "is a folder, not a record", f"name one of the records in it: {there}")
    return Problem(str(path), "is a folder, not a record", "give the record's path (.bench)")
