"""Strangers' gas traces: all classes of holds and flows, for `strangers.py`."""

from __future__ import annotations

import stranger_flow_faults
import stranger_hold_faults
from stranger_case import StrangerClass

CLASSES: list[StrangerClass] = [*stranger_hold_faults.CLASSES, *stranger_flow_faults.CLASSES]
