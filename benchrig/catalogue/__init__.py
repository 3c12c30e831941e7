"""Valve models and their limits: one TOML file a model. The only place outside the bench that knows pydantic."""

from __future__ import annotations

from benchrig.catalogue.folders import Catalogue
from benchrig.catalogue.general_practice import by_general_practice
from benchrig.catalogue.valve_model import ValveModel, read_model

__all__ = ["Catalogue", "ValveModel", "by_general_practice", "read_model"]
