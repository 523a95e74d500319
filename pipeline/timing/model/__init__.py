"""The mathematics of the timing model: motion, load, layout, the normal equations, what solves them, their scales."""
