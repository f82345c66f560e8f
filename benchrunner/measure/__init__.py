"""RMS, frequency, power, harmonics, dips, gaps, step responses and energies from samples. Pure numpy.

Times in s, samples in SI, arrays in and arrays or small named tuples out.
"""

from benchrunner.measure.events import Dropout, Gap, dropout, gap, swell
from benchrunner.measure.frequency import frequency, frequency_track
from benchrunner.measure.power import Power, harmonics, power, thd
from benchrunner.measure.rms import half_cycle_rms, window_rms
from benchrunner.measure.steps import StepResponse, energy, step_response

__all__ = [
    "Dropout",
    "Gap",
    "Power",
    "StepResponse",
    "dropout",
    "energy",
    "frequency",
    "frequency_track",
    "gap",
    "half_cycle_rms",
    "harmonics",
    "power",
    "step_response",
    "swell",
    "thd",
    "window_rms",
]
