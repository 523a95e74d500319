"""Fit the timing model to a group.

prepare                    Score, Strikes -> Prepared: what stays fixed (hits, lines, pins, strikers, layout)
first_state                -> State: what the rounds learn (drags, τ, ρ, flags, weights, company, scatter)
step, 4 times              solve: linear load + border + normal equations -> Solved
                           learn: load and effects, pace, flags, company, weights -> State
likelihood(...).greatest   -> Scales (motion, scatter, pins);    step, 4 times
likelihood(...).greatest   -> Scales;                            step, 3 times
settle                     withdraw flags that are not significant without the prior -> State, Solved
posterior                  solve again with scales around the likeliest -> Posterior.mean_and_variance
readout                    parts of each hit, speed curve, strikers, pins, with errors -> Fit
"""
