"""One configured bench: its file, its wiring, its interlocks, its safe state and the one place that waits."""
