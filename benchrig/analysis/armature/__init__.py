"""The armature's motion as the coil current shows it: pull-in, first motion, drop-out, and clicks taken together."""
