"""Hold vacuum: the leak of a closed valve, told apart from everything else that raises the pressure."""
