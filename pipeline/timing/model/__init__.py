"""The mathematics of the timing model: motion, load and layout, the normal equations, what solves them, their scales."""
