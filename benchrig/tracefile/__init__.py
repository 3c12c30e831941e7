"""A trace from the CSV file of any oscilloscope or logger: read, its time axis set, refused when it cannot be right."""

from benchrig.tracefile.impossible_values import check_traced_current, check_traced_pressure, check_traced_voltage
from benchrig.tracefile.reading import LEAST_SAMPLES, MOST_SAMPLES, read_trace
from benchrig.tracefile.time_axis import TimeAxis, hold_axis, opening_axis, pulse_axis
from benchrig.tracefile.unexpected_events import check_fill, check_hold, check_one_pulse

__all__ = [
    "LEAST_SAMPLES",
    "MOST_SAMPLES",
    "TimeAxis",
    "check_fill",
    "check_hold",
    "check_one_pulse",
    "check_traced_current",
    "check_traced_pressure",
    "check_traced_voltage",
    "hold_axis",
    "opening_axis",
    "pulse_axis",
    "read_trace",
]
