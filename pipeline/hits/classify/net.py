"""Evaluate the fitted nets and calibrations of `weights.csv`.

In: a table of features. Out: probabilities. A net has one hidden layer beside a logistic regression (Bishop 2006,
ch. 5.1). `tests/benchmarks/hits_fit.py` fits and writes the numbers; `weights.md` says when and on what.
"""

import csv
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np

FILE = Path(__file__).with_name("weights.csv")
MOST_SD = 5.0  # standard deviations: features are clipped there
UNIT = 0.001  # the file holds whole thousandths
MOST_SCORE = 50.0  # log odds, so that the exponential stays finite
OFFSET, OUT = "(offset)", "(out)"  # rows besides those of the features: a net's last two, a calibration's first
ROUTE = ": "  # between the name of a calibration and the route it is for


@dataclass(frozen=True)
class Net:
    """A net: the probability is that of the log odds middle + weight·x + out·tanh(offset + hidden·x).

    Attributes
    ----------
    features : tuple of str
    mean, sd : (n_features,) arrays
        x is a feature less its mean over its standard deviation, held within ± `MOST_SD`.
    weight : (n_features,) array
    hidden : (n_features, n_units) array
    offset, out : (n_units,) arrays
    middle : float
    """

    features: tuple[str, ...]
    mean: np.ndarray
    sd: np.ndarray
    weight: np.ndarray
    hidden: np.ndarray
    offset: np.ndarray
    out: np.ndarray
    middle: float


@dataclass(frozen=True)
class Fitted:
    """All fitted numbers.

    `nets` by name. `calibrations` by name: (n_routes, 1 + n_features) arrays, the routes in the order of the file; the
    columns are an offset and the weights of what is calibrated.
    """

    nets: dict[str, Net]
    calibrations: dict[str, np.ndarray]


@cache
def fitted() -> Fitted:
    """Return the numbers of `weights.csv`, read once; a fit puts others in their place for what follows."""
    rows = {}
    with FILE.open(encoding="utf-8", newline="") as file:
        for name, *row in list(csv.reader(file))[1:]:
            rows.setdefault(name, []).append(row)
    calibrations = {}
    for name in [name for name in rows if ROUTE in name]:
        calibrations.setdefault(name.split(ROUTE)[0], []).append(_numbers([row[3] for row in rows.pop(name)]))
    calibrations = {name: np.array(routes) for name, routes in calibrations.items()}
    return Fitted({name: net_of(its) for name, its in rows.items()}, calibrations)


def net_of(rows: list[list[str]]) -> Net:
    """Return the net of some rows of the file, without its name."""
    *features, (_, _, _, middle, *offset), (_, _, _, _, *out) = rows
    mean, sd, weight, *hidden = np.array([_numbers(row[1:]) for row in features]).T
    hidden = np.reshape(hidden, (len(hidden), len(mean))).T
    names = tuple(row[0] for row in features)
    return Net(names, mean, sd, weight, hidden, _numbers(offset), _numbers(out), float(_numbers([middle])[0]))


def _numbers(cells: list[str]) -> np.ndarray:
    return UNIT * np.array([cell for cell in cells if cell], float)


def probability(features: np.ndarray, name: str) -> np.ndarray:
    """Return the probability of each row of features by a net.

    Parameters
    ----------
    features : (n, n_features) array
        In the order of the net's `features`.
    name : str
        Of the net in `weights.csv`.

    Returns
    -------
    probability : (n,) array
    """
    net = fitted().nets[name]
    x = ((features - net.mean) / net.sd).clip(-MOST_SD, MOST_SD)
    return logistic(net.middle + x @ net.weight + np.tanh(net.offset + x @ net.hidden) @ net.out)


def calibrated(columns: np.ndarray, route: np.ndarray, name: str) -> np.ndarray:
    """Return calibrated probabilities: how often what has no likelier candidate near it is right.

    Parameters
    ----------
    columns : (n, n_columns) array
        Log odds, and what is weighed beside them.
    route : (n,) int array
        Row of the calibration.
    name : str
        Of the calibration in `weights.csv`.

    Returns
    -------
    probability : (n,) array
    """
    numbers = fitted().calibrations[name][route]
    return logistic(numbers[:, 0] + (columns * numbers[:, 1:]).sum(axis=1))


def logistic(score: np.ndarray) -> np.ndarray:
    """Return the probability whose odds have the logarithm `score`."""
    return 1 / (1 + np.exp(-score.clip(-MOST_SCORE, MOST_SCORE)))
