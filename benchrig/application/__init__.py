"""What can be done with a bench, as plain functions: the row that command line, batch and console stand on.

Each takes a typed request, tells what happens as events (`benchrig.application.events`), asks its operator through
`benchrig.application.questions`, stops when it is asked to, and raises errors of `benchrig.errors`. Nothing here knows
of a terminal, an exit status or a web page.
"""
