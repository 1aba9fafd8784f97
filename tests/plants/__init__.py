"""A generator of benches: the structure of each run is drawn, not only its figures.

Two simulators with a fixed structure flatter whatever was chosen on them. Here bodies, laws of loss,
electrodes, supply, make-up water, disturbances and sensors are drawn run by run. Numpy only; no code of the
product, none of `tests.runaway_bench` or `tests.runaway_second` but their simple rules.

``python -m tests.plants --first 0 --n 200`` scores the watch; see `seeds` for which may be looked at.
"""
