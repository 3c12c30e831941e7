"""Valve models and their limits: one TOML file a model. The only place outside the bench that knows pydantic."""

from __future__ import annotations

from benchrig.catalogue.folders import Catalogue
from benchrig.catalogue.valve_model import ValveModel, read_model

__all__ = ["Catalogue", "ValveModel", "read_model"]
