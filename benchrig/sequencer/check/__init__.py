"""The daily bench check: each part of the bench by its effect, with what to do where it fails."""
