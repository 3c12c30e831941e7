"""Somebody at the simulated bench: connects what is asked for, and reads reference instruments."""

from __future__ import annotations

from simulators.noise import within
from simulators.simulated_bench import SimulatedBench
from simulators.world import World

__all__ = ["BAROMETER_PA", "GAUGE_PA", "VOLTMETER_PART", "SimulatedOperator"]

BAROMETER_PA = 15.0
"""Half-width of the barometer's error (our own invention; the bench file states it)."""
GAUGE_PA = 35.0
"""Half-width of the vacuum gauge's error (our own invention; the bench file states it)."""
VOLTMETER_PART = 3e-4
"""Half-width of the reference voltmeter's relative error (our own invention; the bench file states it)."""


class SimulatedOperator:
    """Hands and eyes beside the simulated bench.

    Parameters
    ----------
    simulated_bench, world : SimulatedBench, World
        The bench, and the world that it is in.
    seed : int
        Draws the errors of the reference instruments.

    Examples
    --------
    >>> from simulators.entry import open_bench
    >>> bench = open_bench({})
    >>> bench.hands.connect("blind-plug")
    >>> bench.simulated_bench.connected, round(bench.hands.read("barometer"), 1)
    ('blind-plug', 101.3)
    """

    def __init__(self, simulated_bench: SimulatedBench, world: World, *, seed: int) -> None:
        self._simulated_bench = simulated_bench
        self._world = world
        self._barometer_pa = within(BAROMETER_PA, seed=seed, stream=400)
        self._gauge_pa = within(GAUGE_PA, seed=seed, stream=402)
        self._voltmeter = 1.0 + within(VOLTMETER_PART, seed=seed, stream=401)

    def connect(self, fitting: str) -> None:
        """Put something in the valve's place; ValueError when nothing is called so.

        A ``sound-valve`` is the valve that this bench has; a ``vacuum-gauge`` shuts the port like a blind plug.
        """
        self._simulated_bench.connect({"sound-valve": "valve", "vacuum-gauge": "blind-plug"}.get(fitting, fitting))

    def read(self, what: str) -> float:
        """Read the ``barometer`` or, on the port, the ``vacuum gauge``, in kPa, or the ``voltmeter`` on the plug, in V.

        Raises
        ------
        ValueError
            No such instrument.
        """
        world = self._world
        if what == "barometer":
            return round((world.ambient_pa + self._barometer_pa) / 1000.0, 4)
        if what == "vacuum gauge":
            return round((world.pressure_pa() + self._gauge_pa) / 1000.0, 4)
        if what == "voltmeter":
            return round(world.coil_current_a() * world.bench.reference_resistor_ohm * self._voltmeter, 5)
        raise ValueError(f"Nobody here has a {what}; there are barometer, vacuum gauge and voltmeter.")
