"""benchrunner qualifies AC-coupled pairings on a test bench, real or simulated.

The names below load on first use (PEP 562), so that `import benchrunner` stays quick.
"""

from typing import Any

__version__ = "0.1.0"
__all__ = ["Record", "__version__", "run"]

_LAZY = {"run": "benchrunner.engine.api", "Record": "benchrunner.record.opened"}


def __getattr__(name: str) -> Any:
    if name in _LAZY:
        from importlib import import_module

        return getattr(import_module(_LAZY[name]), name)
    raise AttributeError(f"module 'benchrunner' has no attribute {name!r}")
