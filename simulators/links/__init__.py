"""How a program reaches the simulated instruments: within one process, or by a pseudo-terminal and TCP ports."""
