"""Limits, decision rule, likely cause and disposition. Pure."""
