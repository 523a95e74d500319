"""Faults of a recording, each named with its cure: what the blocks tell is watched, then judged with the hits."""
