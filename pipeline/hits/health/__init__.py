"""Faults of a recording. In: blocks of sound, then the hits. Out: sentences 'name: finding; cure'.

`watch.Watch` sees each block once and keeps what the checks need; `faults.faults` runs all checks after the last block.
One module measures one thing: `clipping`, `background` (hum, rumble, noise), `gate`, `gain_step`, `limiter`,
`high_pass`, `click`. `wording` makes the sentences of faults that several channels may share.

Where the constants of this folder come from: "measured" means set by hand between the simulated faults and the sound
recordings of tests/benchmarks/hits_health.py; no list of the values that were tried is kept, and the tests notice half
and double. They tell a faulty recording from a sound one, not a bad machine from a good one. "chosen" means that no
measurement stands behind the value. "derived" follows from the quantities that are named.
"""
