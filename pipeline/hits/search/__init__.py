"""Passes over a recording: second look with known sounds, matched filter, faint strikes, rebounds."""
