"""Make recordings with exactly known hits from real single percussion sounds.

The sounds come from Debian's package sonic-pi-samples (CC0 per sample), which the detecting code did not make. Each hit
is a sound scaled, slightly recoloured and put to a place between two samples by a Fourier shift. True onset = first
sample above -40 dB of the clean hit's peak. SNR = peak of a hit over the root mean square of the noise.
"""

import tempfile
import warnings
from dataclasses import dataclass
from datetime import date
from functools import cache
from pathlib import Path

import numpy as np
import soundfile
from scipy.fft import next_fast_len
from scipy.signal import resample_poly

from pipeline import hits
from pipeline.settings import Barrel, Channel, Detection, Machine, Recording, Rig, Striker
from pipeline.settings.strikers import RESERVED

FOLDER = Path("/usr/share/sonic-pi/samples")
# Left out: swells, rolls, sounds that strike again (elec_wood 76 ms later, sn_dolf 27, perc_bell 15, elec_chime
# several times).
SOUNDS = tuple(
    """
drum_cowbell drum_cymbal_closed drum_snare_hard drum_snare_soft drum_tom_hi_hard drum_tom_hi_soft
drum_tom_lo_hard drum_tom_lo_soft drum_tom_mid_hard drum_tom_mid_soft drum_bass_soft drum_heavy_kick
elec_beep elec_bell elec_blip elec_blip2 elec_bong elec_hollow_kick elec_cymbal elec_flip elec_hi_snare
elec_mid_snare elec_ping elec_pop elec_snare elec_tick elec_triangle elec_twip elec_lo_snare sn_dub
sn_generic sn_zome tabla_ke1 tabla_ke2 tabla_na tabla_na_o tabla_na_s tabla_tas1 tabla_tas2
tabla_tas3 tabla_te1 tabla_te2 tabla_te_m tabla_te_ne tabla_tun2 tabla_tun3 tabla_ghe4 tabla_ghe8
bd_808 bd_ada bd_fat bd_gas bd_klub bd_tek perc_impact2
""".split()
)
TUNING_SOUNDS, TEST_SOUNDS = SOUNDS[::2], SOUNDS[1::2]  # what was tuned on is not what is tested on


@dataclass(frozen=True)
class Scene:
    """A recording and its truth, one entry a hit; `channel` from 1."""

    samples: np.ndarray
    rate_hz: int
    hit_s: np.ndarray
    channel: np.ndarray
    sound: np.ndarray
    sharp: np.ndarray
    rebound: np.ndarray
    peak: np.ndarray


def installed() -> bool:
    """Tell whether the sounds are on this machine."""
    return (FOLDER / "drum_cowbell.flac").exists()


@cache
def sound(name: str, rate_hz: int) -> np.ndarray:
    """Return a sound with peak 1, mono, from just before its onset, at most 1.5 s."""
    samples, own_rate = soundfile.read(FOLDER / f"{name}.flac", always_2d=True)
    samples = samples.mean(axis=1)
    if own_rate != rate_hz:
        divisor = np.gcd(own_rate, rate_hz)
        samples = resample_poly(samples, rate_hz // divisor, own_rate // divisor)
    samples = samples / np.abs(samples).max()
    samples = np.concatenate([np.zeros(64), samples[: round(1.5 * rate_hz)]])
    fade = min(len(samples), round(0.02 * rate_hz))
    samples[-fade:] *= np.linspace(1, 0, fade)
    return samples


def one_hit(name: str, rate_hz: int, fraction: float, tilt: float) -> tuple[np.ndarray, int, bool]:
    """Return a hit moved later by a fraction of a sample, its onset sample, and whether it is sharp."""
    samples = sound(name, rate_hz)
    samples = samples + tilt * np.concatenate([[0.0], samples[:-1]])
    n = next_fast_len(len(samples) + 128, real=True)
    spectrum = np.fft.rfft(samples, n) * np.exp(-2j * np.pi * np.fft.rfftfreq(n) * fraction)
    samples = np.fft.irfft(spectrum, n)
    samples /= np.abs(samples).max()
    onset, loud = np.argmax(np.abs(samples) > 0.01), np.argmax(np.abs(samples) > 0.1)
    return samples, int(onset), (loud - onset) / rate_hz < 0.0003


def noise(rng: np.random.Generator, n: int, pink: float = 0.5) -> np.ndarray:
    """Return noise of root mean square 1; `pink` is the share of power that falls by 3 dB an octave."""
    white = rng.normal(size=n)
    spectrum = np.fft.rfft(rng.normal(size=n))
    spectrum /= np.sqrt(np.maximum(np.arange(len(spectrum)), n / 48000 * 20))
    coloured = np.fft.irfft(spectrum, n)
    return np.sqrt(1 - pink) * white + np.sqrt(pink) * coloured / coloured.std()


def times(rng, per_s: float, duration_s: float, least_gap_s: float) -> np.ndarray:
    """Return random times with at least a gap between them."""
    mean = max(1 / per_s - least_gap_s, 1e-3)
    gap = least_gap_s + rng.exponential(mean, size=int(duration_s * per_s * 1.5) + 10)
    at = 0.5 + np.cumsum(gap)
    return at[at < duration_s - 0.5]


@dataclass(frozen=True)
class Kind:
    """What a scene is like.

    One channel per sound, or all in one (`mixed`). `per_s` counts hits a second of each channel, at random and at least
    `least_gap_s` apart, or they stand at the seconds `at`; their peaks are `peak` ± `level_sd_db`. `rebounds` and
    `chords` are the share of strikes that bounce (15-60 ms later, 8-20 dB weaker) or come within 12 ms of another;
    `leak_db` is the range of what neighbours hear 0.05-0.5 ms later.
    """

    mixed: bool
    per_s: float
    snr_db: float = 40.0
    duration_s: float = 30.0
    rate_hz: int = 48000
    least_gap_s: float = 0.06
    level_sd_db: float = 2.0
    leak_db: tuple[float, float] | None = None
    rebounds: float = 0.0
    chords: float = 0.0
    peak: float = 0.3
    at: np.ndarray | None = None


def scene(seed: int, names, **kind) -> Scene:
    """Make a recording of the sounds `names`; `kind` has the fields of `Kind`."""
    kind, rng = Kind(**kind), np.random.default_rng(seed)
    n, n_channels = round(kind.duration_s * kind.rate_hz), 1 if kind.mixed else len(names)
    own, truth = _sounding(rng, names, _strikes(rng, names, n_channels, kind), np.zeros((n_channels, n)), kind.rate_hz)
    heard = own if kind.leak_db is None else _leaking(rng, own, kind)
    level = kind.peak * 10 ** (-kind.snr_db / 20)
    heard = heard + level * np.stack([noise(rng, n) for _ in range(n_channels)])
    columns = [np.array(column) for column in zip(*truth, strict=True)]
    return Scene(heard.T.astype(np.float32), kind.rate_hz, *columns)


def _strikes(rng, names, n_channels: int, kind: Kind) -> list[tuple]:
    """Return time, channel, number of the sound, level and whether it is a rebound, in the order of time."""
    rows = []
    for channel in range(n_channels):
        for time in times(rng, kind.per_s, kind.duration_s, kind.least_gap_s) if kind.at is None else kind.at:
            pick = rng.integers(len(names)) if kind.mixed else channel
            level = kind.peak * 10 ** (rng.normal() * kind.level_sd_db / 20)
            rows.append((time, channel, pick, level, False))
            if rng.random() < kind.rebounds:
                later = rng.uniform(0.015, 0.060)
                rows.append((time + later, channel, pick, level * 10 ** (-rng.uniform(8, 20) / 20), True))
            if rng.random() < kind.chords:
                other = rng.integers(n_channels) if n_channels > 1 else 0
                if other != channel:
                    rows.append((time + rng.uniform(-0.012, 0.012), other, other, level, False))
    rows.sort()
    kept, last = [], {}
    for row in rows:  # the same striker cannot strike again at once
        if row[0] - last.get(row[1], -1.0) >= min(0.015, kind.least_gap_s):
            kept.append(row)
            last[row[1]] = row[0]
    return kept


def _sounding(rng, names, strikes: list[tuple], own: np.ndarray, rate_hz: int) -> tuple[np.ndarray, list[tuple]]:
    """Add the sounds of strikes to each channel's own; return it and the rows of the truth."""
    truth, n = [], own.shape[1]
    for time, channel, pick, level, bounce in strikes:
        begin, fraction = divmod(time * rate_hz, 1.0)
        samples, onset, sharp = one_hit(names[pick], rate_hz, fraction, rng.uniform(-0.15, 0.15))
        begin, length = int(begin), min(len(samples), n - int(begin))
        own[channel, begin : begin + length] += level * samples[:length]
        truth.append(((begin + onset) / rate_hz, channel + 1, names[pick], sharp, bounce, level))
    return own, truth


def _leaking(rng, own: np.ndarray, kind: Kind) -> np.ndarray:
    """Return what the channels hear of their own and of all others."""
    heard, n = own.copy(), own.shape[1]
    for source in range(len(own)):
        for to in range(len(own)):
            if source != to:
                lag = round(rng.uniform(0.05e-3, 0.5e-3) * kind.rate_hz)
                gain = 10 ** (rng.uniform(*kind.leak_db) / 20)
                heard[to, lag:] += gain * own[source, : n - lag]
    return heard


def find(
    samples: np.ndarray, rate_hz: int, hears: tuple[str, ...], subtype: str = "FLOAT", least: float = 0.5
) -> dict[str, np.ndarray]:
    """Return columns of the hits that are found, of probability `least` and more; `hears` tells of each channel
    what."""
    strikers = tuple(Striker(name, (k,)) for k, name in enumerate(hears) if name not in RESERVED)
    rig = Rig("rig", tuple(Channel(k, (what,)) for k, what in enumerate(hears, 1)))
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "take.wav"
        soundfile.write(path, samples, rate_hz, subtype=subtype)
        recording = Recording("take", str(path), date(2031, 5, 3), "rig", "song")
        table, said = hits.find(recording, rig, Machine(Barrel(), (), None, strikers), Detection())
    if said["refused"]:
        raise RuntimeError(said["refused"])
    names = ("hit_s", "hit_se", "channel", "kind", "probability", "level_db")
    found = {name: np.array(table[name].to_pylist()) for name in names}
    return {name: column[found["probability"] >= least] for name, column in found.items()}


def pairs(made: Scene, found: dict[str, np.ndarray], within_s: float) -> np.ndarray:
    """Return which hit of the scene is which one found, (n, 2) array, matched channel by channel by mir_eval."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import mir_eval
    pairs = [np.zeros((0, 2), int)]
    for channel in np.unique(made.channel):
        true, mine = np.flatnonzero(made.channel == channel), np.flatnonzero(found["channel"] == channel)
        matches = mir_eval.util.match_events(made.hit_s[true], found["hit_s"][mine], within_s)
        pairs += [np.array([(true[a], mine[b]) for a, b in matches], int).reshape(-1, 2)]
    return np.concatenate(pairs)
