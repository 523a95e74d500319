"""Render strikes as audio with known truth: struck bodies, microphones, leakage, hum, rumble, noise.

A struck body is a sum of damped modes and a short burst of noise. Hits differ: each mode in level and decay, the burst,
and a harder hit is brighter. A hit is a function of continuous time, so it can start between two samples. The *onset*
of a hit is its first moment above −40 dB of its peak, without noise, at 8 × the sampling rate; it lies exactly at the
true time.
"""

import zlib
from collections.abc import Iterator
from dataclasses import dataclass

import numba
import numpy as np

RATE_HZ = 48_000
MAINS_HZ = 50
FINE = 8  # points per sample of the grid on which onsets and bursts are computed
ONSET = 0.01  # of the peak: −40 dB
ONSET_S, PEAK_S = 0.008, 0.06  # after the contact: where the onset, and the peak, is searched
BURST_S = 0.03  # length of a burst
SILENT_DB = -70.0  # a hit is cut where its loudest mode falls below this
INAUDIBLE_DB = -100.0  # re full scale
BLOCK_S = 10.0

# material: (lowest mode Hz, ratios of the modes, decay of the lowest s, fall of decay per octave, burst level, rise s)
_MATERIALS = {
    "wood": ((300, 900), (1.0, 2.6, 3.9, 5.4, 8.9), (0.03, 0.09), 0.7, 0.5, (2e-5, 6e-5)),
    "metal": ((600, 2200), (1.0, 2.76, 5.40, 8.93, 13.3), (0.15, 0.35), 0.8, 0.25, (1e-5, 4e-5)),
    "stone": ((900, 2600), (1.0, 1.8, 2.9, 4.1, 6.3), (0.02, 0.07), 0.6, 0.6, (1e-5, 4e-5)),
    "skin": ((90, 250), (1.0, 1.59, 2.14, 2.65, 3.5, 4.2), (0.10, 0.22), 0.6, 0.35, (4e-5, 1.2e-4)),
}


@dataclass(frozen=True, eq=False)
class Body:
    """One struck body as its own contact microphone hears it."""

    mode_hz: np.ndarray
    decay_s: np.ndarray
    gain: np.ndarray
    rise_s: float
    burst_gain: float
    burst_decay_s: float
    bursts: np.ndarray  # (bursts, samples) noise on the fine grid


@dataclass(frozen=True, eq=False)
class Blows:
    """The blows, in order of time. `level_db`: peak in the body's own microphone, dB re full scale."""

    onset_s: np.ndarray
    body: np.ndarray  # index
    level_db: np.ndarray


@dataclass(frozen=True, eq=False)
class Microphone:
    """One audio channel. Arrays have one value a body: gain (−inf: not heard), delay, corner of the low pass."""

    gain_db: np.ndarray
    delay_s: np.ndarray
    lowpass_hz: np.ndarray
    noise_db: float = -72.0  # root mean square
    hum_db: float = -80.0  # of the mains' fundamental, peak
    rumble_db: float = -75.0  # root mean square below some 30 Hz
    echoes: tuple[tuple[float, float], ...] = ()  # (later s, dB)
    drive_db: float = 0.0  # gain of the preamplifier, after which it clips
    bang_s: float | None = None  # time at which a cable is plugged in
    tone_s: np.ndarray | None = None  # times of a click that comes by cable
    tone_hz: float = 1500.0


def material_body(name: str, material: str, seed: int = 0) -> Body:
    """Make a body; the same name, material and seed give the same body.

    Parameters
    ----------
    name : str
    material : {'wood', 'metal', 'stone', 'skin'}
    seed : int
    """
    chance = np.random.default_rng([zlib.crc32(name.encode()), seed])
    lowest, ratios, decay, fall, burst, rise = _MATERIALS[material]
    mode_hz = chance.uniform(*lowest) * np.array(ratios) * chance.uniform(0.94, 1.06, len(ratios))
    mode_hz = mode_hz[mode_hz < 0.45 * RATE_HZ]
    decay_s = chance.uniform(*decay) * (mode_hz / mode_hz[0]) ** -fall
    gain = 10 ** (-chance.uniform(0, 14, len(mode_hz)) / 20)
    return Body(
        mode_hz, decay_s, gain / gain.sum(), float(chance.uniform(*rise)), burst, float(chance.uniform(0.0008, 0.003)),
        _bursts(chance, 6, min(2.5 * mode_hz[0], 3000.0), float(chance.uniform(9000, 16000))),
    )  # fmt: skip


def hit(body: Body, level_db: float, chance: np.random.Generator, phase: float = 0.0, rate_hz: int = RATE_HZ):
    """Render one clean hit.

    Parameters
    ----------
    level_db : float
        Peak, dB re full scale.
    chance : np.random.Generator
    phase : float, range=[0, 1)
        Samples from sample `before` to the onset.
    rate_hz : int

    Returns
    -------
    samples : np.ndarray, shape=(n,)
    before : int
        The onset is at `before + phase` samples.
    """
    hardness = np.clip((level_db + 30) / 25, 0.1, 1.3)
    tilt = (body.mode_hz / body.mode_hz[0]) ** (0.5 * (hardness - 1))
    gain = body.gain * tilt * 10 ** (chance.normal(0, 2, len(body.gain)) / 20)
    decay_s = body.decay_s * np.exp(chance.normal(0, 0.08, len(body.gain)))
    burst = body.bursts[chance.integers(len(body.bursts))] + 0.7 * body.bursts[chance.integers(len(body.bursts))]
    burst = burst * body.burst_gain * hardness * np.exp(chance.normal(0, 0.2))
    shape = (body.mode_hz, decay_s, gain, body.rise_s, burst, body.burst_decay_s)
    n = int(np.max(decay_s * np.log(np.maximum(gain / gain.sum(), 1e-9) * 10 ** (-SILENT_DB / 20))) * rate_hz) + 1
    n = max(n, int(BURST_S * rate_hz))
    fine = np.zeros(int(ONSET_S * rate_hz) * FINE)
    _evaluate(fine, 0.0, float(rate_hz * FINE), *shape)
    peak = np.abs(fine).max()
    # Slow bodies have their peak after ONSET_S.
    rough = np.zeros(min(n, int(PEAK_S * rate_hz)))
    _evaluate(rough, 0.0, float(rate_hz), *shape)
    peak = max(peak, np.abs(rough).max())
    onset = _crossing(np.abs(fine), ONSET * peak) / FINE
    before = int(np.ceil(onset - phase))
    samples = np.zeros(n + before + 1)
    _evaluate(samples, before + phase - onset, float(rate_hz), *shape)
    samples *= 10 ** (level_db / 20) / peak
    tail = min(len(samples), int(0.005 * rate_hz))
    samples[-tail:] *= np.linspace(1, 0, tail)
    return samples, before


def render(
    bodies: tuple[Body, ...], blows: Blows, microphones: tuple[Microphone, ...], length_s: float, seed: int
) -> Iterator[np.ndarray]:
    """Yield the recording in blocks, shape=(n, channels), float32, clipped at full scale.

    Memory does not grow with the length. The same arguments give the same samples.

    Parameters
    ----------
    bodies, microphones : tuple
    blows : Blows
        `body` is an index of `bodies`.
    length_s : float
    seed : int
    """
    total = round(length_s * RATE_HZ)
    room = 2 * RATE_HZ  # samples of the next block that the hits of a block may reach
    block = int(BLOCK_S * RATE_HZ)
    channels = len(microphones)
    carried = np.zeros((channels, block + room), dtype=np.float32)
    backgrounds = [_Background(microphone, seed, c) for c, microphone in enumerate(microphones)]
    first = 0
    for start in range(0, total, block):
        while first < len(blows.onset_s) and blows.onset_s[first] * RATE_HZ < start + block:
            _add_blow(carried, bodies, blows, microphones, first, start, seed)
            first += 1
        n = min(block, total - start)
        out = np.empty((n, channels), dtype=np.float32)
        for c, microphone in enumerate(microphones):
            wet = carried[c, :n] + backgrounds[c].take(start, n)
            out[:, c] = np.clip(wet * np.float32(10 ** (microphone.drive_db / 20)), -1.0, 1.0)
        yield out
        carried[:, :room] = carried[:, block:].copy()
        carried[:, room:] = 0.0


def own_microphones(n: int, seed: int, leak_db: tuple[float, float] = (-30.0, -18.0)) -> tuple[Microphone, ...]:
    """Return one contact microphone a body; the others leak into it, 0.05–0.5 ms later, `leak_db` softer and duller."""
    chance = np.random.default_rng([seed, 30])
    out = []
    for c in range(n):
        gain_db, delay_s = chance.uniform(*leak_db, n), chance.uniform(0.00005, 0.0005, n)
        lowpass_hz = chance.uniform(2000, 9000, n)
        gain_db[c], delay_s[c], lowpass_hz[c] = 0.0, 0.0, np.inf
        out.append(Microphone(gain_db, delay_s, lowpass_hz, hum_db=float(chance.uniform(-86, -74))))
    return tuple(out)


def room_microphone(n: int, seed: int, distance_m: float = 1.2) -> Microphone:
    """Return one microphone in the room that hears all bodies, with a few early echoes."""
    chance = np.random.default_rng([seed, 31])
    away_m = distance_m + chance.uniform(-0.08, 0.08, n)
    return Microphone(
        gain_db=chance.uniform(-8, -3, n),
        delay_s=away_m * 0.0029,
        lowpass_hz=np.full(n, 14_000.0),
        noise_db=-66.0,
        hum_db=-70.0,
        rumble_db=-58.0,
        echoes=tuple((float(chance.uniform(0.004, 0.025)), float(chance.uniform(-22, -14))) for _ in range(5)),
    )


def _bursts(chance, n, low_hz, high_hz):
    """Return n bursts of noise between two frequencies on the fine grid, root mean square 1."""
    length = int(BURST_S * RATE_HZ) * FINE
    frequency = np.fft.rfftfreq(length, 1 / (RATE_HZ * FINE))
    spectrum = chance.normal(size=(n, len(frequency))) + 1j * chance.normal(size=(n, len(frequency)))
    spectrum /= np.sqrt(1 + (low_hz / np.maximum(frequency, 1.0)) ** 4) * np.sqrt(1 + (frequency / high_hz) ** 8)
    noise = np.fft.irfft(spectrum, length)
    return noise / noise.std(axis=1, keepdims=True)


@numba.njit(cache=True, fastmath=True)
def _evaluate(out, contact, rate_hz, mode_hz, decay_s, gain, rise_s, burst, burst_decay_s):
    """Write the hit whose contact is at sample `contact` of `out`, sampled at rate_hz."""
    first = int(np.ceil(contact))
    n = len(out)
    away_s = (first - contact) / rate_hz
    for m in range(len(mode_hz)):
        # A damped sine is the imaginary part of a complex number that is multiplied by a constant at each sample.
        step = np.exp(-1.0 / (decay_s[m] * rate_hz))
        turn = 2 * np.pi * mode_hz[m] / rate_hz
        cosine, sine = step * np.cos(turn), step * np.sin(turn)
        size = gain[m] * np.exp(-away_s / decay_s[m])
        re = size * np.cos(2 * np.pi * mode_hz[m] * away_s)
        im = size * np.sin(2 * np.pi * mode_hz[m] * away_s)
        for i in range(first, n):
            out[i] += im
            re, im = re * cosine - im * sine, re * sine + im * cosine
    per = RATE_HZ * FINE / rate_hz
    start = away_s * RATE_HZ * FINE
    fall = np.exp(-1.0 / (burst_decay_s * rate_hz))
    size = np.exp(-away_s / burst_decay_s)
    for i in range(first, n):
        at = start + (i - first) * per
        whole = int(at)
        if whole + 1 >= len(burst):
            break
        part = at - whole
        out[i] += size * (burst[whole] * (1 - part) + burst[whole + 1] * part) * 0.5
        size *= fall
    for i in range(first, n):
        open_ = 1 - np.exp(-(i - contact) / (rise_s * rate_hz))
        if open_ > 0.999999:
            break
        out[i] *= open_


def _crossing(size, threshold):
    """Return the index at which `size` first exceeds the threshold, by linear interpolation."""
    first = int(np.argmax(size > threshold))
    if first == 0:
        return 0.0
    low, high = size[first - 1], size[first]
    return first - 1 + (threshold - low) / (high - low)


def _add_blow(carried, bodies, blows, microphones, number, start, seed):
    """Add one hit to all channels of the block that begins at sample `start`."""
    chance = np.random.default_rng([seed, 32, number])
    body = int(blows.body[number])
    at = blows.onset_s[number] * RATE_HZ - start
    whole = int(np.floor(at))
    samples, before = hit(bodies[body], float(blows.level_db[number]), chance, at - whole)
    for c, microphone in enumerate(microphones):
        gain_db = microphone.gain_db[body]
        if not np.isfinite(gain_db) or gain_db + blows.level_db[number] < INAUDIBLE_DB:
            continue
        gain = 10 ** (gain_db / 20)
        dull = np.isfinite(microphone.lowpass_hz[body])
        keep = np.exp(-2 * np.pi * microphone.lowpass_hz[body] / RATE_HZ) if dull else 0.0
        for later_s, db in ((0.0, 0.0), *microphone.echoes):
            late = (microphone.delay_s[body] + later_s) * RATE_HZ
            # A tail far below the noise costs time and is not heard.
            last = _last_above(samples, 10 ** (INAUDIBLE_DB / 20) / (gain * 10 ** (db / 20)))
            _add(carried[c], samples[:last], whole - before + int(late), late - int(late), gain * 10 ** (db / 20), keep)


@numba.njit(cache=True)
def _add(out, samples, at, part, gain, keep):
    """Add samples at `at + part` through a one-pole low pass (`keep` 0: none)."""
    state, last = 0.0, 0.0
    for i in range(len(samples) + 1):
        now = samples[i] if i < len(samples) else 0.0
        moved = now * (1 - part) + last * part
        last = now
        state = keep * state + (1 - keep) * moved
        if 0 <= at + i < len(out):
            out[at + i] += gain * state


class _Background:
    """Noise, hum, rumble, plugging and clicks of a channel; `take` returns block after block."""

    def __init__(self, microphone, seed, channel):
        self.microphone = microphone
        self.chance = np.random.default_rng([seed, 33, channel])
        self.low = np.zeros(2)
        turn = np.arange(RATE_HZ // MAINS_HZ) * MAINS_HZ / RATE_HZ
        harmonics = [np.sin(2 * np.pi * (h * turn + self.chance.random())) / h**1.3 for h in range(1, 7)]
        self.hum = (10 ** (microphone.hum_db / 20) * np.sum(harmonics, axis=0)).astype(np.float32)

    def take(self, start, n):
        microphone = self.microphone
        noise = self.chance.standard_normal(n, dtype=np.float32)
        out = noise * np.float32(10 ** (microphone.noise_db / 20))
        # Two poles at 30 Hz keep (π/2) × 30 Hz / 2 of the band: scale back to the level asked for.
        rumble = _rumble(noise, self.low, np.exp(-2 * np.pi * 30 / RATE_HZ))
        out += rumble * np.float32(10 ** (microphone.rumble_db / 20) * np.sqrt(RATE_HZ / 2 / 23.6))
        # The period of the mains is a whole number of samples.
        out += np.resize(np.roll(self.hum, -(start % len(self.hum))), n)
        if microphone.bang_s is not None:
            out += _bang((start + np.arange(n)) / RATE_HZ - microphone.bang_s)
        if microphone.tone_s is not None:
            _add_clicks(out, microphone, start)
        return out


@numba.njit(cache=True)
def _last_above(samples, threshold):
    for i in range(len(samples) - 1, -1, -1):
        if abs(samples[i]) > threshold:
            return i + 1
    return 0


@numba.njit(cache=True)
def _rumble(noise, low, keep):
    out = np.empty_like(noise)
    for i in range(len(noise)):
        low[0] = keep * low[0] + (1 - keep) * noise[i]
        low[1] = keep * low[1] + (1 - keep) * low[0]
        out[i] = low[1]
    return out


def _bang(time_s):
    """Return the bang of a cable that is plugged in: steps beyond full scale that decay."""
    out = np.zeros(len(time_s), dtype=np.float32)
    for later_s, size, decay_s in ((0.0, 1.5, 0.02), (0.031, -1.2, 0.05), (0.083, 0.9, 0.25)):
        on = time_s >= later_s
        out[on] += size * np.exp(-(time_s[on] - later_s) / decay_s)
    return out


def _add_clicks(out, microphone, start):
    """Add 8 ms bursts of a tone that begin exactly at `tone_s` (from zero, with the tone's slope)."""
    n = len(out)
    for at_s in microphone.tone_s:
        at = at_s * RATE_HZ - start
        first, last = max(0, int(np.ceil(at))), min(n, int(at + 0.008 * RATE_HZ))
        if last <= first:
            continue
        away_s = (np.arange(first, last) - at) / RATE_HZ
        fade = np.clip((0.008 - away_s) / 0.002, 0, 1)
        out[first:last] += (0.4 * fade * np.sin(2 * np.pi * microphone.tone_hz * away_s)).astype(np.float32)
