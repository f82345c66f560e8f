"""Records kept in a folder, with an index that can be searched and made again from the records alone."""

from benchrunner.record.archive.archive import Added, Archive, Rebuilt
from benchrunner.record.archive.entry import ChannelRow, CheckRow, Device, Entry
from benchrunner.record.archive.search import Condition, Found, Hits, Query

__all__ = [
    "Added",
    "Archive",
    "ChannelRow",
    "CheckRow",
    "Condition",
    "Device",
    "Entry",
    "Found",
    "Hits",
    "Query",
    "Rebuilt",
]
