"""Rehearse: simulated valves of known condition through the real sequence, to learn what error rates to expect."""
