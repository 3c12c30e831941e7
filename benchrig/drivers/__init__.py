"""The devices and the links under them. The only I/O with the bench."""
