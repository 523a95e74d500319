"""The mathematics of the timing model: motion, load, layout, normal equations, their solver and scales; rates a pin."""
