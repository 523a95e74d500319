"""Move hits to where the template of their striker fits best, and estimate the standard error of each onset.

In: the candidates that were kept. Out: the sample of each onset and its standard error. A hit that no template fits
stays where the first pass put it.
"""

from collections.abc import Mapping

import numpy as np

from pipeline.hits.candidates import Candidates, has_near
from pipeline.hits.signal import template

LEAK_S = 0.001  # a leak comes at most this much after its strike, and may be placed as much before it
# A standard error is made of these: times the width of the onset's likelihood, times the attack, and what differs from
# hit to hit of any striker. The three cover the error after each striker's own constant lag (tests/test_hits_truth.py).
SPREADS, ATTACKS, LEAST_SE_S = 1.5, 0.5, 0.00005


def refined(
    found: Candidates,
    rows: np.ndarray,
    keep: np.ndarray,
    templates: Mapping[int, template.Templates],
    rate_hz: int,
) -> tuple[np.ndarray, np.ndarray]:
    """Return the onsets of kept candidates and their standard errors.

    Parameters
    ----------
    found : Candidates
    rows : (n_kept,) array of DTYPE
        With all fields.
    keep : (n_kept,) int array
        Their numbers in `found`.
    templates : mapping of int to template.Templates
        Of each channel that has some.
    rate_hz : int

    Returns
    -------
    at, se : (n_kept,) arrays
        Samples.
    """
    at, spread = rows["at"].copy(), rows["spread"].astype(float)
    by_filter = found.filter_height[keep, 0] > 0  # the filter's peak is where the template fits already
    for number, its in templates.items():
        mine = np.flatnonzero((rows["channel"] == number) & ~by_filter)
        leaking = has_near(rows["at"][mine], rows["at"][rows["channel"] != number], LEAK_S * rate_hz)
        for begin in range(0, len(mine), template.AT_ONCE):
            part = slice(begin, begin + template.AT_ONCE)
            these = mine[part]
            waveforms = found.waveforms.read(found.waveform[keep[these]])
            lag, lag_se = template.moved(waveforms, rows["spread"][these], leaking[part], its, found.waveforms.columns)
            at[these] += lag
            spread[these] = np.where(np.isnan(lag_se), spread[these], lag_se)
    attack = rows["attack"].astype(float)
    return at, np.sqrt(np.square(SPREADS * spread) + np.square(ATTACKS * attack) + np.square(LEAST_SE_S * rate_hz))
