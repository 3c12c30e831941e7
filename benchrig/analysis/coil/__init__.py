"""The coil as a circuit: its resistance, and its current record made ready for the armature's analysis."""
