"""What stands on the simulated bench: the multimeter, and the board's pins and cable."""
