"""Qualify removed canister-purge solenoid valves on a small test bench."""

__version__ = "0.1.0"
