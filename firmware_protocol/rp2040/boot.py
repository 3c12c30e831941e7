"""First thing that runs after power-up and after the watchdog's reset: every output off, before anything else.

Then Ctrl-C becomes a byte like any other, or a byte 0x03 of a host's first frame would end the program before its
watchdog runs. MicroPython makes it Ctrl-C again for each of boot.py and main.py, so both begin with that.

Imports nothing of ours, so that a damaged or missing file cannot come before it. The pins repeat pins.py (a test holds
them together). Until it runs the chip's pins are inputs with weak pull-downs, and a resistor at each driver keeps it
off.
"""

TYPE_CHECKING = False
if TYPE_CHECKING:
    from typing import Any

OUTPUT_PINS = (2, 3, 4, 5, 6, 7)


def outputs_off(machine: "Any") -> None:
    """Drive every output low."""
    for pin in OUTPUT_PINS:
        machine.Pin(pin, machine.Pin.OUT, value=0)


if __name__ == "__main__":
    import machine
    import micropython

    outputs_off(machine)
    micropython.kbd_intr(-1)
