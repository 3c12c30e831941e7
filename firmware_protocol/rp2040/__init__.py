"""Port of the board to an RP2040-class microcontroller under MicroPython; BOARD.md says how to build and load it."""
