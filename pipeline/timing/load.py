"""The load of the strikes: each takes a share of the speed, which comes back over the recovery time.

A strike of striker s takes the share d_s of the speed ω; with the recovery τ (nominal beats) what comes Δu later is
late by (d_s τ/ω)(1 − e^(−Δu/τ)), and the speed is down by d_s e^(−Δu/τ).
"""

import numpy as np

from pipeline.timing.strikes import Strikes

LONGEST = 500.0  # exponents summed in one go: e^500 is still a number


def lateness(strikes: Strikes, recovery_beats: float, line, u_beat, beat_s) -> np.ndarray:
    """Return the lateness at places per unit of each striker's drag.

    Parameters
    ----------
    line : np.ndarray of int, shape=(n,)
        Line of each place.
    u_beat : np.ndarray, shape=(n,)
        The places; a strike at the very place has not acted yet.
    beat_s : np.ndarray, shape=(n_lines,)
        Seconds per nominal beat (1/ω) of each line.

    Returns
    -------
    np.ndarray, shape=(n, n_strikers)
    """
    counted, remembered = _history(strikes, recovery_beats, line, u_beat)
    return recovery_beats * np.asarray(beat_s)[line][:, None] * (counted - remembered)


def _history(strikes, recovery_beats, line, u_beat):
    """Return how many strikes came before each place, and how much of their loss is still there."""
    counted = np.zeros((len(u_beat), len(strikes.striker_names)))
    remembered = np.zeros_like(counted)
    fired = strikes.rows[strikes.rows["fires"]]
    places = {number: np.flatnonzero(line == number) for number in np.unique(line)}
    for (number, striker), at in fired.groupby(["line", "striker"])["u_beat"]:
        if number not in places:
            continue
        struck, place = at.to_numpy(), places[number]
        after = fade_sums(struck, recovery_beats)
        last = np.searchsorted(struck, u_beat[place] - 1e-9) - 1
        some = last >= 0
        place, last = place[some], last[some]
        counted[place, striker] = last + 1
        remembered[place, striker] = after[last] * np.exp(-(u_beat[place] - struck[last]) / recovery_beats)
    return counted, remembered


def fade_sums(struck, recovery):
    """Return Σ_j≤k e^(−(u_k − u_j)/τ) at each strike u_k of the sorted `struck`, its own included."""
    scaled = np.asarray(struck) / recovery
    sums = np.empty(len(scaled))
    begin, carried = 0, 0.0
    while begin < len(scaled):
        end = np.searchsorted(scaled, scaled[begin] + LONGEST, side="right")
        grown = np.exp(scaled[begin:end] - scaled[begin])
        sums[begin:end] = (np.cumsum(grown) + carried) / grown
        if end < len(scaled):
            carried = sums[end - 1] * np.exp(scaled[end - 1] - scaled[end])
        begin = end
    return sums
