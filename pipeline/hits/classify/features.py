"""Make the tables of features that the nets are shown; their names are those of `weights.csv`.

In: candidates and the evidence on them. Out: (n, n_features) arrays; columns in the order of the names above each
function. Values are clipped where more makes no difference, and where the fitted scenes have few.
"""

import numpy as np

from pipeline.hits.candidates import Evidence

RISE = (
    *(f"log_rise_{name}" for name in ("broad", "8_frames", "16_frames", "4_frames", "sharp", "narrow")),
    "log_likelihood_gain",
    "snr_db",
    "to_loudest_db",
    "log_rise_strongest_band",
    "log_rise_middle_band",
)
LOW = ("log_low_departure", "log_low_rise")
TEMPLATE = ("log_matched_snr", "log_matched_snr_over_2", "correlation", "to_strongest_db")
LEAKAGE = (
    "above_leakage_db_below_0",
    "above_leakage_db_over_0",
    "above_leakage_late_db",
    "to_usual_db",
    "to_usual_db_below_-6",
    "log_struck",
)
PEAK = (
    "peak_above_leakage_db_below_0",
    "peak_above_leakage_db_over_0",
    "to_loud_db",
    "to_loud_db_below_-6",
    "to_loud_db_below_-12",
)
FILTER = (
    "log_filter_z_1_to_2",
    "log_filter_z_2_to_3",
    "filter_to_usual_db_below_-6",
    "filter_to_usual_db_over_-6",
    "filter_to_ring_db_below_0",
    "filter_to_ring_db_over_0",
    "correlation",
)
LOG_ODDS = ("log_odds",)

MOST_SNR_DB = 80.0
MOST_LOG_SNR = 3.5  # of a matched filter: more makes no difference
NO_CORRELATION = 0.5  # where there is no template: neither like one nor unlike
DB_PER_NEPER = 8.686  # 20 / log 10
LEAST_PROBABILITY = 1e-6  # so that odds are finite


def of_rise(rows: np.ndarray) -> np.ndarray:
    """Return what the first pass measured, (n, 11) array; `rows` (n,) of DTYPE."""
    return np.column_stack(
        [
            np.log(rows["rise"] + 0.3),
            np.log(rows["gain"] + 1.0),
            20 * np.log10((rows["peak"] + 1e-9) / (rows["noise"] + 1e-9)).clip(max=MOST_SNR_DB),
            rows["below"],
            np.log(rows["strongest"] + 1.0),
            np.log(rows["middle"] + 0.1),
        ]
    )


def of_rise_and_low(rows: np.ndarray) -> np.ndarray:
    """Return the same with what the lowest bands do, (n, 13) array."""
    return np.column_stack([of_rise(rows), np.log(rows["low"] + 1.0)])


def of_template(evidence: Evidence) -> np.ndarray:
    """Return how each compares with the template of its channel, (n, 4) array."""
    snr = np.log(np.clip(evidence.matched_snr, 1.0, np.exp(MOST_LOG_SNR)))
    upper = np.maximum(snr - 2.0, 0.0)
    return np.column_stack([snr, upper, evidence.correlation, evidence.to_strongest_db.clip(-30.0, 0.0)])


def of_leakage(evidence: Evidence, struck: np.ndarray) -> np.ndarray:
    """Return how far each stands above leakage, (n, 6) array; `struck`, (n,): probability that something struck."""
    above_db, usual_db = evidence.above_leakage_db.clip(-12.0, 8.0), evidence.to_usual_db.clip(-30.0, 10.0)
    return np.column_stack(
        [
            np.minimum(above_db, 0.0),
            np.maximum(above_db, 0.0),
            evidence.above_leakage_late_db.clip(-10.0, 20.0),
            usual_db,
            (usual_db + 6.0).clip(-20.0, 0.0),
            np.log(struck + 1e-3),
        ]
    )


def of_peak(evidence: Evidence) -> np.ndarray:
    """Return how far each stands above leakage, by the peaks of candidates, (n, 5) array."""
    above_db, loud_db = evidence.peak_above_leakage_db.clip(-12.0, 8.0), evidence.to_loud_db.clip(-30.0, 5.0)
    return np.column_stack(
        [
            np.minimum(above_db, 0.0),
            np.maximum(above_db, 0.0),
            loud_db,
            (loud_db + 6.0).clip(-20.0, 0.0),
            (loud_db + 12.0).clip(-20.0, 0.0),
        ]
    )


def of_filter(evidence: Evidence) -> np.ndarray:
    """Return the heights in the matched filter's output, (n, 7) array."""
    z, usual, ring = np.log(np.maximum(evidence.filter_height, 1e-3)).T
    usual_db, ring_db = DB_PER_NEPER * usual, DB_PER_NEPER * ring
    return np.column_stack(
        [
            z.clip(1.0, 2.0),
            z.clip(2.0, 3.0),
            usual_db.clip(-20.0, -6.0),
            usual_db.clip(-6.0, 3.0),
            ring_db.clip(-12.0, 0.0),
            ring_db.clip(0.0, 12.0),
            np.where(evidence.has_template, evidence.correlation, NO_CORRELATION),
        ]
    )


def log_odds(probability: np.ndarray) -> np.ndarray:
    """Return the logarithm of the odds of (n,) probabilities, (n, 1) array."""
    probability = probability.clip(LEAST_PROBABILITY, 1 - LEAST_PROBABILITY)
    return np.log(probability / (1 - probability))[:, None]
