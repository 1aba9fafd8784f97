"""Physics of the bench as cited pure functions. Knows nothing of files, stores or screens.

Every function takes floats or numpy arrays and returns the same kind; see `daq.physics._ranges` for what
happens outside a published range.
"""
