"""Physics of the bench as cited pure functions. Knows nothing of files, stores or screens.

Every function takes floats or numpy arrays and returns the same kind. NaN stays NaN. A value outside a
published range raises `PhysicsRangeError`; where a function offers ``outside="nan"`` it gives NaN instead.
Nothing is extrapolated.

One topic a module, to be imported from: `reference`, `constants`, `faraday`, `water`, `moist_gas`, `lye`,
`conductivity`, `cell_voltage`, `polarisation`, `heat`, `leak_path`, `leak_network`, `flow_meters`,
`thermal_meters`, `transducers`, `pwm`.
"""

from daq.physics._ranges import FloatArray, Num

__all__ = ["FloatArray", "Num"]
