"""Arrays in, numbers with uncertainty out. No I/O, no clock, no logging."""
