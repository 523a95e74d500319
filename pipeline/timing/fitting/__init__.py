"""Fit the timing model to a group."""
