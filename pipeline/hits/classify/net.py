"""Judge by a net with one hidden layer beside a logistic regression (Bishop 2006, ch. 5.1)."""

from functools import cache

import numpy as np

WIDEST = 5.0  # standard deviations: what lies farther off tells no more
UNIT = 0.001  # of the numbers of `weights`


def probability(features: np.ndarray, net: str) -> np.ndarray:
    """Return the probability, (n,) array, from (n, n_features) ones and a net of `weights`.

    A net has one line a feature: its mean, its standard deviation, its weight beside the net, and one in each hidden
    unit; then the units' offsets and the units' weights, each after the offset of all.
    """
    mean, sd, weight, hidden, offset, out = _numbers(net)
    seen = ((features - mean) / sd).clip(-WIDEST, WIDEST)
    score = out[0] + seen @ weight + np.tanh(offset[1:] + seen @ hidden) @ out[1:]
    return logistic(score)


def logistic(score: np.ndarray) -> np.ndarray:
    """Return the probability whose odds have the logarithm `score`."""
    return 1 / (1 + np.exp(-score.clip(-50, 50)))


@cache
def _numbers(net: str) -> tuple[np.ndarray, ...]:
    rows = [UNIT * np.array(line.split(), float) for line in net.strip().splitlines()]
    mean, sd, weight, *hidden = np.array(rows[:-2]).T
    return mean, sd, weight, np.reshape(hidden, (len(hidden), len(mean))).T, rows[-2], rows[-1]
