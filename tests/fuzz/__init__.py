"""Mutated input to every decoder: `python -m tests.fuzz --n 1000000 [decoder ...]`."""
