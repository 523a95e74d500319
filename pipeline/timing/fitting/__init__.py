"""Fit the timing model to a group: the walk, line by line as in `fit`.

==================  =================================================================================
prepare             Score, Strikes -> Prepared: what stays fixed (hits, lines, pins, strikers, layout)
first_state         -> State: what the rounds learn (drags, τ, ρ, flags, weights, company, scatter)
step, 4 times       solve: linear load, border, normal equations -> Solved; learn from it -> State
likelihood.greatest -> Scales of motion, scatter and pins
search              slips, then shafts out of true, significant ones -> State; then step, 4 times
likelihood.greatest -> Scales once more; search again, now also for slips at one place in every take; then step, 3
                    times; once more if a slip or shaft came or went
settle              withdraw flags, wobbles and slips that are not significant without the prior -> State, Solved
posterior           solve again with scales around the likeliest -> Posterior.mean_and_variance
readout             parts of each hit, speed curve, strikers, pins, all with their errors -> Fit
==================  =================================================================================

A constant marked "free: x" is chosen and hardly matters: when it is half or double, estimates move by no more than x of
their standard errors, root mean square (0: less than 0.0005). `python -m tests.benchmarks.timing_constants 11 1` shows
it, and what changes with each of the others.
"""
