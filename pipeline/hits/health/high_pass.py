"""Find strikers' microphones behind a high pass, by their noise or by their strikes.

In: `watch.Watch` and the hits. Out: a sentence, or none. A contact microphone in a low-impedance input is such a case:
its capacitance and the input's resistance make a first-order high pass.

Noise of a microphone is as strong at low frequencies as at high ones, or stronger; behind a high pass it grows with
frequency. Where a preamplifier's own noise hides that, strikes tell it: below what a body sounds, a strike has the same
level everywhere, and so have bright bodies. Drums, which sound down there, tell nothing, nor do microphones that have
some rumble or bodies that never stop ringing.
"""

import numpy as np

from pipeline.hits.health import background
from pipeline.hits.health.watch import MARKS, Watch
from pipeline.hits.health.wording import numbers

LOW_BANDS, HIGH_BANDS = slice(1, 7), slice(9, 11)  # 300 to 2300 Hz, 5 to 11 kHz; band 0 holds rumble, too
NOISE_RISE_DB = 1.5  # measured: power density of the high bands over the low ones
FLAT_NOISE_DB = 4.0  # measured: range of the low bands' density, where they hold noise alone and no rumble
LEAST_DENSITY_DB = -120.0  # chosen: no preamplifier is so quiet; below, the sampling rate is too low for these bands
LEAST_STRIKES = 8  # chosen: of a microphone, for a median
LOUD_STRIKES = 0.75  # quantile of the levels; chosen: softer ones may be leakage
LEAST_STRIKE_TO_NOISE = 2.0  # power in the two lowest bands; chosen: half of it or more is then the strike's
BELOW_BODY_DB = -10.0  # measured: three lowest bands against the loudest; below all that the body sounds
SLOPE_DB = 3.5  # measured: from the lowest band to the next; a strike's beginning gives 0 to 2, a high pass 5
LEAST_MICROPHONES = 2  # chosen: one alone may hear an unusual body


def sentences(watch: Watch, hits: np.ndarray, left_out: set[int]) -> list[str]:
    """Return a sentence 'thin: …' where most strikers' microphones are behind a high pass, else none.

    Parameters
    ----------
    watch : Watch
    hits : (n_hits,) structured array
        As `faults.faults`.
    left_out : set of int
        Places of channels that hold the same sound as another.
    """
    microphones, rises_db, slopes_db = [], [], []
    for number, channel in enumerate(watch.channels):
        if channel.hears in MARKS or not watch.background[number] or number in left_out:
            continue
        noise = background.quiet_bands(watch.background[number])
        density_db = 10 * np.log10(noise / watch.n_bins + 1e-15)
        if density_db[HIGH_BANDS].min() < LEAST_DENSITY_DB:
            continue
        microphones.append(channel.channel)
        # Bodies that still ring make some bands louder: the quietest tell.
        rises_db.append(density_db[HIGH_BANDS].min() - density_db[LOW_BANDS].min())
        slope_db = _slope_db(hits[hits["channel"] == number], noise)
        if slope_db is not None and np.ptp(density_db[: LOW_BANDS.stop]) < FLAT_NOISE_DB:
            slopes_db.append(slope_db)
    shown = _shown(len(microphones), rises_db, slopes_db)
    return [
        f"thin: the microphones of channels {numbers(microphones)} lose their lows ({one}), as contact "
        "microphones do in low-impedance inputs; use inputs of 1 MΩ or a preamplifier for contact microphones"
        for one in shown
    ]


def _shown(n_microphones: int, rises_db: list[float], slopes_db: list[float]) -> list[str]:
    """Return the words for what shows a high pass, by the noise if it does; none where nothing does."""
    risen_db = [one for one in rises_db if one > NOISE_RISE_DB]
    if len(risen_db) >= max(LEAST_MICROPHONES, n_microphones / 2):
        return [f"their noise is {np.median(risen_db):.0f} dB weaker below 2 kHz than above 5 kHz"]
    if n_microphones >= LEAST_MICROPHONES and slopes_db and min(slopes_db) >= SLOPE_DB:
        return [f"their strikes fall by {min(slopes_db):.0f} dB from 400 to 200 Hz"]
    return []


def _slope_db(mine: np.ndarray, noise: np.ndarray) -> float | None:
    """Return the slope of the strikes from the lowest band to the next; None where a body sounds down there."""
    if len(mine) < LEAST_STRIKES:
        return None
    loud = mine["level_db"] >= np.quantile(mine["level_db"], LOUD_STRIKES)
    power = np.median(mine["bands"][loud], axis=0)
    level_db = 10 * np.log10(np.maximum(power - noise, 0.1 * noise) + 1e-15)
    below_body = level_db[:3].max() - level_db.max() < BELOW_BODY_DB
    told = below_body and (power[:2] > LEAST_STRIKE_TO_NOISE * noise[:2]).all()
    return float(level_db[1] - level_db[0]) if told else None
