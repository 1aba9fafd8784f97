"""A benchmark of runaway warnings: seeded scenarios, a simulator of its own, scoring, and simple peers.

``python -m tests.runaway_bench --n 200 --seed 7`` scores a larger set.
"""
