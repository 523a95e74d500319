"""The mathematics of the timing model: its parts, its normal equations, and what solves them."""
