"""The operator's page: the bench in a browser.

Two processes. The web process serves the page and knows no port of the bench; the bench process owns the ports, calls
the application layer and tells what happens there, line by line over a pipe. Either may die: a bench process whose pipe
is closed makes the bench safe and ends, a web process that loses its bench process says so and starts another.
"""
