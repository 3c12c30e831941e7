"""One module a step. Each holds the function that takes the run's `Context` and returns what it found."""
