"""Which pin does what, and what the converter is: the numbers behind the wiring table in BOARD.md."""

from firmware_protocol import messages as m

__all__ = ["ANALOG", "BUILD", "CAPTURE_WORDS", "CHANNELS", "INPUTS", "OUTPUTS", "SERVICE", "WATCHDOG_MS"]

BUILD = 3
OUTPUTS = ((m.COIL, 2), (m.METER, 3), (m.PUMP, 4), (m.ISOLATION, 5), (m.VENT, 6), (m.REFERENCE, 7))
INPUTS = ((m.ESTOP_OK, 10), (m.GUARD_CLOSED, 11))
SERVICE = 22  # joined to ground at power-up: the board stays at its prompt with all outputs off
ANALOG = (26, 27, 28, 29)  # pin of each channel; the chip's converter inputs 0 to 3 in this order
CHANNELS = ((m.COIL_CURRENT, 12, 3300), (m.PRESSURE, 12, 3300), (m.SUPPLY, 12, 3300), (m.AMBIENT, 12, 3300))
CAPTURE_WORDS = 26624  # 52 KB; the flow step of 6 s takes 24800 words, the code about 90 KB (BOARD.md section 13)
WATCHDOG_MS = 1000
