"""From what was measured of a candidate to its probability, and from that to the hits.

`features` and `surroundings` make the tables of features, `net` evaluates the fitted numbers of `weights.csv` (see
`weights.md`), `classifier` joins the nets' answers, `selection` keeps the likeliest candidates.
"""
