"""Second pass: gather evidence on every candidate, by templates and leakage estimated from the recording itself.

In: the candidates with their first probabilities. Out: `Evidence`, and the templates of each channel. The surest
candidates of a channel, those that no neighbour explains, make its templates (`template`). Every candidate is
compared with them by a matched filter: a weak strike is like the strong ones, noise is not, and what leaks in from a
neighbour is like the neighbour's.
"""

from collections.abc import Mapping

import numpy as np

from pipeline.hits.candidates import Candidates, Evidence
from pipeline.hits.channels import are_leaking, are_mixed
from pipeline.hits.classify import classifier
from pipeline.hits.signal import leakage, template
from pipeline.hits.signal.template import Templates
from pipeline.settings import Channel

TEMPLATE_PROBABILITY = 0.5  # at first, from which a candidate may help to make a template
TEMPLATE_ABOVE_DB = 3.0  # above what leaks in, the same; by peaks it must be 0
# Of what the matched filter found, the same: over the noise; over the usual height and over what else rings.
TEMPLATE_Z, TEMPLATE_SHARE = 6.0, 0.5
PEAK_REACH_S = 0.008  # between a strike and the peak of what leaks of it
# Root mean square before: a peak's own part stands over so many times that; the peak of what is seen at all, too.
RANG_FACTOR, NOISE_FACTOR = 2.0, 2.5
LOUD_QUANTILE = 0.9  # of a channel's peaks: loud strikes of its own, whatever leaks in
MIXED_POOL = 400  # hits that make the templates of many strikers: the low ones are seldom the surest
NEAR_S = (0.1, 0.004)  # before and after a candidate: where a stronger one may be what is heard
LEAST = 1e-9  # -180 dB, so that silence has a level


def look(found: Candidates, channels: tuple[Channel, ...], rate_hz: int) -> tuple[Evidence, dict[int, Templates]]:
    """Gather the evidence on all candidates.

    Parameters
    ----------
    found : Candidates
    channels : tuple of Channel
    rate_hz : int

    Returns
    -------
    evidence : Evidence
    templates : dict of int to Templates
        Of each channel, from 0, that has some.
    """
    rows, mixed = found.rows, are_mixed(channels)
    number, leaking = rows["channel"], are_leaking(channels)
    struck = _struck(found, classifier.at_first(rows, mixed[number]))
    above_db, late_db = over_leakage(found, struck, leaking)
    peak_above_db = _peak_above_leakage_db(found, struck, leaking, rate_hz)
    sure = (struck > TEMPLATE_PROBABILITY) & (above_db >= TEMPLATE_ABOVE_DB) & (peak_above_db >= 0)
    templates = _templates(found, sure, mixed)
    correlation, height, noise = _likeness(found, templates)
    evidence = Evidence(
        above_leakage_db=above_db,
        above_leakage_late_db=late_db,
        peak_above_leakage_db=peak_above_db,
        to_usual_db=_to_usual_db(found, sure),
        to_loud_db=_to_loud_db(rows, struck),
        has_template=np.isin(number, list(templates)),
        correlation=correlation,
        matched_snr=height / noise,
        to_strongest_db=_to_strongest_db(rows, height, templates, rate_hz),
        filter_height=found.filter_height,
    )
    return evidence, templates


def _struck(found: Candidates, at_first: np.ndarray) -> np.ndarray:
    """Return the first probability that something struck; of what the matched filter found, whether it stands out."""
    height = found.filter_height
    stands_out = (height[:, 0] > TEMPLATE_Z) & (height[:, 1:].min(axis=1) > TEMPLATE_SHARE)
    return np.where(height[:, 0] > 0, stands_out, at_first)


def over_leakage(found: Candidates, struck: np.ndarray, leaking: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return how far each candidate stands above what leaks in, dB.

    Parameters
    ----------
    found : Candidates
    struck : (n,) array
        Probability that something struck.
    leaking : (n_channels,) bool array
        Which channels leak into one another.

    Returns
    -------
    above_db, late_db : (n,) arrays
        At once, and with some more milliseconds (`leakage.above_leakage_db`); infinite on other channels.
    """
    number, narrow = found.rows["channel"], np.flatnonzero(leaking)
    over, mine = np.full((2, len(number)), np.inf), leaking[number]
    every = mine.all() and leaking.all()
    levels = [one if every else one[np.ix_(mine, narrow)] for one in (found.arriving, found.arriving_filtered)]
    owner = np.searchsorted(narrow, number[mine])
    late, noise_peak = found.arriving_late[mine], found.noise_peak[narrow]
    over[:, mine] = leakage.above_leakage_db(*levels, late, noise_peak, owner, struck[mine])
    return over[0], over[1]


def _peak_above_leakage_db(found: Candidates, struck: np.ndarray, leaking: np.ndarray, rate_hz: int) -> np.ndarray:
    """Return how far each candidate's peak stands above what leaks in of those near it, (n,) array."""
    narrow, above_db = np.flatnonzero(leaking), np.full(len(struck), np.inf)
    mine = leaking[found.rows["channel"]]
    rows = found.rows[mine]
    owner = np.searchsorted(narrow, rows["channel"])
    own = np.sqrt(np.maximum(np.square(rows["peak"]) - np.square(RANG_FACTOR * rows["noise"]), 0))
    heights = leakage.highest_near(rows["at"], owner, own, len(narrow), PEAK_REACH_S * rate_hz)
    noise = [rows["noise"][owner == one] for one in range(len(narrow))]
    noise_peak = NOISE_FACTOR * np.array([np.median(one) if len(one) else 0.0 for one in noise]) + LEAST
    above_db[mine] = leakage.above_leakage_db(heights, heights, own, noise_peak, owner, struck[mine])[0]
    return above_db


def _to_usual_db(found: Candidates, sure: np.ndarray) -> np.ndarray:
    """Return each candidate's level relative to its channel's usual sure one, (n,) array; 0 where too few are sure."""
    number = found.rows["channel"]
    level, usual_db = found.arriving_filtered[np.arange(len(number)), number] + LEAST, np.zeros(len(number))
    for channel in np.unique(number):
        mine = number == channel
        if (mine & sure).sum() >= template.LEAST_HITS:
            usual_db[mine] = 20 * np.log10(level[mine] / np.median(level[mine & sure]))
    return usual_db


def _to_loud_db(rows: np.ndarray, struck: np.ndarray) -> np.ndarray:
    """Return each candidate's peak relative to the loud strikes of its channel, (n,) array."""
    loud_db = np.zeros(len(rows))
    for channel in np.unique(rows["channel"]):
        mine = rows["channel"] == channel
        sure = mine & (struck > TEMPLATE_PROBABILITY)
        loud = np.quantile(rows["peak"][sure if sure.any() else mine], LOUD_QUANTILE)
        loud_db[mine] = 20 * np.log10((rows["peak"][mine] + LEAST) / (loud + LEAST))
    return loud_db


def _templates(found: Candidates, sure: np.ndarray, mixed: np.ndarray) -> dict[int, Templates]:
    """Return the templates of the channels that have enough sure candidates; the best placed make them."""
    templates, number = {}, found.rows["channel"]
    for channel in np.unique(number):
        mine = np.flatnonzero((number == channel) & sure)
        if len(mine) >= template.LEAST_HITS:
            most = MIXED_POOL if mixed[channel] else template.POOL
            pool = mine[np.argsort(-found.rows["gain"][mine], kind="stable")[:most]]
            waveforms = found.waveforms.read(found.waveform[pool]).astype(np.float32)
            its = template.templates(waveforms, found.waveforms.columns)
            if its is not None:
                templates[int(channel)] = its
    return templates


def _likeness(found: Candidates, templates: Mapping[int, Templates]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return `template.likeness` of each candidate with the templates of its channel; 0, 0, 1 without any."""
    n, number = len(found.rows), found.rows["channel"]
    correlation, height, noise = np.zeros(n), np.zeros(n), np.ones(n)
    for channel, its in templates.items():
        mine = np.flatnonzero(number == channel)
        for begin in range(0, len(mine), template.AT_ONCE):
            part = mine[begin : begin + template.AT_ONCE]
            waveforms = found.waveforms.read(found.waveform[part])
            correlation[part], height[part], noise[part] = template.likeness(waveforms, its, found.waveforms.columns)
    return correlation, height, noise


def _to_strongest_db(rows: np.ndarray, height: np.ndarray, templates: Mapping, rate_hz: int) -> np.ndarray:
    """Return each matched filter's output relative to the strongest around on its channel, (n,) array."""
    to_strongest_db = np.zeros(len(rows))
    for channel in templates:
        mine = np.flatnonzero(rows["channel"] == channel)
        mine = mine[np.argsort(rows["at"][mine], kind="stable")]
        output_db = 20 * np.log10(height[mine] * rows["peak"][mine] + LEAST)
        to_strongest_db[mine] = output_db - _highest_near(rows["at"][mine] / rate_hz, output_db)
    return to_strongest_db


def _highest_near(at_s: np.ndarray, level_db: np.ndarray) -> np.ndarray:
    """Return the highest level within `NEAR_S` of each; times in order."""
    highest = level_db.copy()
    for direction, reach_s in ((1, NEAR_S[0]), (-1, NEAR_S[1])):
        for step in range(1, len(at_s)):
            here, there = (slice(step, None), slice(None, -step))[::direction]
            near = np.abs(at_s[here] - at_s[there]) < reach_s
            if not near.any():
                break
            highest[here] = np.where(near, np.maximum(highest[here], level_db[there]), highest[here])
    return highest
