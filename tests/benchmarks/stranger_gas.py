"""Strangers' gas traces: all classes of holds and flows, for `strangers.py`."""

from __future__ import annotations

import stranger_flow
import stranger_hold
from stranger_case import StrangerClass

CLASSES: list[StrangerClass] = [*stranger_hold.CLASSES, *stranger_flow.CLASSES]
