"""Robust statistics that several stages share; numpy at most, as hits and aligned import it."""

# Standard deviation of a normal variable over its median absolute deviation: 1 / 0.67449, the upper quartile of the
# standard normal distribution (Hampel 1974, "The influence curve and its role in robust estimation", J. Am. Stat.
# Assoc. 69).
SD_OF_MAD = 1.4826
