"""Give each candidate the probability that its channel's own striker struck there.

In: candidates and evidence. Out: probabilities. Nets fitted to real percussion sounds at known times (`weights.md`)
answer in parts, each with the features that exist by then:

    at_first               something struck: what the first pass measured
    struck                 something struck, on a channel with one striker: with its template, or with what the matched
                           filter found or did not find; then calibrated
    own given leakage      of what struck, it was the own striker: how far it stands above what leaks in; calibrated
    given surroundings     one struck, on a channel with many strikers: with the candidates around it

`own_strike` joins them: struck times own given leakage with one striker, given surroundings with many. One net with
flags for what was not searched was tried in the place of the parts and was no better (no figures were kept).
"""

from collections.abc import Callable

import numpy as np

from pipeline.hits.candidates import Evidence
from pipeline.hits.classify import features, net, surroundings

# The nets: what each is shown. Names are those of `weights.csv`.
NETS = {
    "first_one_striker": features.RISE,
    "first_many_strikers": features.RISE + features.LOW,
    "struck_with_template": features.RISE + features.TEMPLATE,
    "struck_filter_found": features.FILTER,
    "struck_filter_not_found": features.LOG_ODDS,
    "own_no_template": features.LEAKAGE + features.PEAK,
    "own_with_template": features.LEAKAGE + features.PEAK + features.TEMPLATE,
    "own_filter_found": features.LEAKAGE + features.FILTER,
    "many_strikers": features.RISE + features.LOW + surroundings.NAMES,
}
# Offset, weight of the log odds, weight of the share that leaks; a row for each of `_routes`.
CALIBRATIONS = ("calibration_struck", "calibration_own")
ROUTES = ("not searched", "filter found", "filter did not find")
_AT_ONCE = 8192  # candidates: all features of a long recording would be much
STRUCK_PROBABILITY, ELSEWHERE_PROBABILITY = 0.5, 0.1  # over: something struck; below: the own striker did not


def at_first(rows: np.ndarray, mixed: np.ndarray | bool) -> np.ndarray:
    """Return the probability that something struck, by what the first pass measured.

    Parameters
    ----------
    rows : (n,) array of DTYPE
    mixed : (n,) bool array or bool
        Whether the candidate's channel hears many strikers.

    Returns
    -------
    probability : (n,) array
    """
    mixed = np.broadcast_to(mixed, len(rows))
    return _by_parts(lambda part: _at_first(rows[part], mixed[part]), len(rows))


def _by_parts(probability: Callable[[slice], np.ndarray], n: int) -> np.ndarray:
    return np.concatenate([probability(slice(begin, begin + _AT_ONCE)) for begin in range(0, max(n, 1), _AT_ONCE)])


def _at_first(rows: np.ndarray, mixed: np.ndarray) -> np.ndarray:
    probability = np.zeros(len(rows))
    for mine, shown, name in (
        (mixed, features.of_rise_and_low, "first_many_strikers"),
        (~mixed, features.of_rise, "first_one_striker"),
    ):
        if mine.any():
            probability[mine] = net.probability(shown(rows[mine]), name)
    return probability


def own_strike(rows: np.ndarray, mixed: np.ndarray | bool, evidence: Evidence, rate_hz: int) -> np.ndarray:
    """Return the probability that the channel's own striker, or one of its strikers, struck.

    Parameters
    ----------
    rows : (n,) array of DTYPE
    mixed : (n,) bool array or bool
    evidence : Evidence
    rate_hz : int

    Returns
    -------
    probability : (n,) array
    """
    probability, mixed = np.zeros(len(rows)), np.broadcast_to(mixed, len(rows))
    for channel in np.unique(rows["channel"][mixed]):
        mine = np.flatnonzero(mixed & (rows["channel"] == channel))
        probability[mine] = net.probability(of_surroundings(rows[mine], rate_hz), "many_strikers")
    one = np.flatnonzero(~mixed)
    if len(one):
        probability[one] = _of_one_striker(rows[one], evidence.part(one))
    return probability


def of_surroundings(rows: np.ndarray, rate_hz: int) -> np.ndarray:
    """Return the features of the candidates of one channel with many strikers, in any order, (n, n_features) array."""
    of_rise, order = features.of_rise_and_low(rows), np.argsort(rows["at"], kind="stable")
    at_first_ = net.probability(of_rise[order], "first_many_strikers")
    table = np.column_stack([of_rise[order], surroundings.features(rows[order], at_first_, rate_hz)])
    return table[np.argsort(order)]


def _of_one_striker(rows: np.ndarray, evidence: Evidence) -> np.ndarray:
    both = _by_parts(lambda part: _struck_and_own(rows[part], evidence.part(part)), len(rows))
    if not _may_leak(evidence).any():
        return both[:, 1]
    columns = np.column_stack([features.log_odds(both[:, 1]), np.full(len(both), leaking_share(both))])
    return net.calibrated(columns, _routes(evidence), "calibration_own")


def _struck_and_own(rows: np.ndarray, evidence: Evidence) -> np.ndarray:
    """Return the probabilities that something struck and, given the leakage, that it was the own, (n, 2)."""
    probability = struck(rows, evidence)
    return np.column_stack([probability, probability * _own_given_leakage(evidence, probability)])


def struck(rows: np.ndarray, evidence: Evidence) -> np.ndarray:
    """Return the probability that something struck a channel with one striker, (n,) array."""
    probability = struck_without_filter(rows, evidence)
    log_odds = features.log_odds(probability[evidence.not_found])
    probability[evidence.not_found] = net.probability(log_odds, "struck_filter_not_found")
    of_filter = features.of_filter(evidence)[evidence.found]
    probability[evidence.found] = net.probability(of_filter, "struck_filter_found")
    return net.calibrated(features.log_odds(probability), _routes(evidence), "calibration_struck")


def struck_without_filter(rows: np.ndarray, evidence: Evidence) -> np.ndarray:
    """Return the same, not calibrated, by the first pass and the template where there is one."""
    of_rise, its = features.of_rise(rows), evidence.has_template
    probability = net.probability(of_rise, "first_one_striker")
    of_both = np.column_stack([of_rise, features.of_template(evidence)])
    probability[its] = net.probability(of_both[its], "struck_with_template")
    return probability


def _own_given_leakage(evidence: Evidence, struck: np.ndarray) -> np.ndarray:
    """Return the probability that what struck was the own striker, (n,) array; 1 where nothing can leak in."""
    own, leaks, found = np.ones(len(struck)), _may_leak(evidence), evidence.found
    of_leakage, of_peak = features.of_leakage(evidence, struck), features.of_peak(evidence)
    of_template, of_filter = features.of_template(evidence), features.of_filter(evidence)
    for mine, columns, name in (
        (leaks & ~evidence.has_template & ~found, [of_leakage, of_peak], "own_no_template"),
        (leaks & evidence.has_template & ~found, [of_leakage, of_peak, of_template], "own_with_template"),
        (leaks & found, [of_leakage, of_filter], "own_filter_found"),
    ):
        own[mine] = net.probability(np.column_stack([column[mine] for column in columns]), name)
    return own


def _may_leak(evidence: Evidence) -> np.ndarray:
    """Return which candidates a neighbour may explain, (n,) bool array."""
    by_level = np.isfinite(evidence.above_leakage_db)
    return np.where(evidence.found, by_level, by_level | np.isfinite(evidence.peak_above_leakage_db))


def _routes(evidence: Evidence) -> np.ndarray:
    """Return the number in `ROUTES` of each candidate, (n,) int array."""
    return np.where(evidence.found, 1, np.where(evidence.not_found, 2, 0))


def leaking_share(both: np.ndarray) -> float:
    """Return how much leaks in a recording, from the share of what struck that plainly struck elsewhere.

    Parameters
    ----------
    both : (n, 2) array
        Probability that something struck, and that it was the channel's own striker.

    Returns
    -------
    leaking_share : float
        Logarithm of the share: -2.1 (nothing does) to 2.5 (all).
    """
    own = both[both[:, 0] > STRUCK_PROBABILITY, 1]
    return float(np.log((own < ELSEWHERE_PROBABILITY).sum() / (len(own) + 1.0) + 0.01) + 2.5)
