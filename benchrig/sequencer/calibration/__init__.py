"""Guided calibration of the bench's constants: one module for electrics, one for the gas side, one that runs them."""
