"""A second simulator: the watch is not to be judged by the one alone on which its constants were chosen.

Its electrodes, losses and scripts are its own; of `daq.watch` it knows but how a bench is described.
"""
