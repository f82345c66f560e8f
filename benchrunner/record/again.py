"""Re-judging: the record's own inputs through the core once more, value by value against what the record
says.
"""

from typing import Any

from benchrunner.record.opened import Record


def rejudge(record: Record) -> Any:
    """The outcome of `benchrunner.core.rejudge` for the record's plan and inputs, held against its checks."""
    from benchrunner.core import rejudge as core

    return core.rejudge(record.plan, (item for _, item in record.inputs()), record.checks)
