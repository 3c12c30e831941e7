"""A trace from the CSV file of any oscilloscope or logger: read, its time axis set, refused when it cannot be right."""

from benchrig.tracefile.events import check_fill, check_hold, check_one_pulse
from benchrig.tracefile.plausible import check_current, check_pressure, check_voltage
from benchrig.tracefile.reading import LEAST_SAMPLES, MOST_SAMPLES, read_trace
from benchrig.tracefile.time_axis import TimeAxis, hold_axis, opening_axis, pulse_axis

__all__ = [
    "LEAST_SAMPLES",
    "MOST_SAMPLES",
    "TimeAxis",
    "check_current",
    "check_fill",
    "check_hold",
    "check_one_pulse",
    "check_pressure",
    "check_voltage",
    "hold_axis",
    "opening_axis",
    "pulse_axis",
    "read_trace",
]
