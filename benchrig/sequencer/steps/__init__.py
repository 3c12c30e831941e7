"""One module a step. Each holds one function that takes the run's `Context` and returns what it found."""
