"""The steps, their order, abort rules and events. Knows no database and no screen."""
