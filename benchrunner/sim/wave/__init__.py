"""Waveforms of the simulated bench: envelope sines joined to a small time-domain model round each event.

`waveform` gives samples, `edge_after` finds the measured edge that a capture triggers on. The numba kernel
loads with the first call, not with this package.
"""

from typing import TYPE_CHECKING, Any

__all__ = ["CHANNELS", "PHASE_CHANNELS", "edge_after", "waveform"]

if TYPE_CHECKING:
    from benchrunner.sim.wave.capture import CHANNELS, PHASE_CHANNELS, waveform
    from benchrunner.sim.wave.edge import edge_after


def __getattr__(name: str) -> Any:
    if name in ("waveform", "CHANNELS", "PHASE_CHANNELS"):
        from benchrunner.sim.wave import capture

        return getattr(capture, name)
    if name == "edge_after":
        from benchrunner.sim.wave.edge import edge_after

        return edge_after
    raise AttributeError(name)
