"""Revisions in their order."""
