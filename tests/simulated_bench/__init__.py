"""Benches simulated from their physics written anew: nothing here shares a line with what it judges."""
