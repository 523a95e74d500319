"""Collect from a recording, block by block, what the checks for faults need.

In: samples and band powers of each block and channel. Out: `Watch`, a few numbers a block and a level every 20 ms.
`faults` judges it with the hits.
"""

from collections import Counter

import numpy as np

from pipeline.hits.health import background, click, clipping, gain_step, gate
from pipeline.hits.signal import flux
from pipeline.settings import Channel

MARKS = (("index",), ("click",))  # what a channel hears that hears no strikes
MOST_PEAK_LISTS = 100  # chosen, for memory only: more lists of wave peaks of a channel are merged
# From sample to sample: a common offset or hum makes no two channels alike. Chosen: half and double change no test.
DIFFERENCE_S = 0.0005
EVERY_SAMPLE = 7  # chosen, for speed: every 7th sample is compared between channels; a minute has 400 000 of them


class Watch:
    """What the blocks of a recording tell about its faults.

    Parameters
    ----------
    channels : tuple of Channel
        Those that are heard.
    rate_hz : int
        Of the file.
    mains_hz : float or None
        None: hum is not looked for.

    Attributes
    ----------
    start : int or None
        First sample seen, counted from the beginning of the file; None before the first block.
    peak : (n_channels,) array
        Largest sample of either sign; 1 is full scale.
    block_peak : list of list of float
        The same of each channel and block.
    wave_peaks : list of list of clipping.Peaks
        Of each channel: peaks among which a clipped one may be.
    silences : list of list of (int, int)
        Of each channel: first sample, and one after the last, of each sudden digital silence.
    background : list of list of background.Background
        Hum, rumble and noise of each channel and block.
    product : (n_channels, n_channels) array
        Sums of products between the channels, of sample differences.
    """

    def __init__(self, channels: tuple[Channel, ...], rate_hz: int, mains_hz: float | None):
        n = len(channels)
        self.channels, self.rate_hz, self.mains_hz = channels, rate_hz, mains_hz
        self.start = None
        self.peak = np.zeros(n)
        self.block_peak = [[] for _ in range(n)]
        self.wave_peaks = [[] for _ in range(n)]
        self.silences = [[] for _ in range(n)]
        self.background = [[] for _ in range(n)]
        self.block_levels = [[] for _ in range(n)]  # first sample, seconds a piece, levels (dB), a block each
        self.levels_db, self.noise_floors_db = {}, {}  # by channel, once the last block is seen
        self.finest = np.full(n, np.inf)  # smallest change from sample to sample of a click's channel
        self.click_shapes = [Counter() for _ in range(n)]  # how often each hash of a click's samples came
        self.product = np.zeros((n, n))
        self.n_bins = np.maximum(np.diff(flux.frames(rate_hz).edges), 1)  # of the spectrum, in each band

    def see(self, first: int, begin: int, heard: list[np.ndarray], power: list[np.ndarray], hop: int) -> None:
        """Look at one block.

        Parameters
        ----------
        first : int
            Sample of the file at which `heard` begins.
        begin : int
            Where in `heard` the block's own samples begin; those before are context and were seen already.
        heard : list of (n_samples,) array
            Of each channel.
        power : list of (n_frames, N_BANDS) array
            `flux.band_power` of each channel; frame k lies at sample `k * hop` of `heard`.
        hop : int
            Samples between frames, > 0.
        """
        here = first + begin
        self.start = here if self.start is None else self.start
        for number, (samples, its_power) in enumerate(zip(heard, power, strict=True)):
            own = samples[begin:]
            frames = its_power[begin // hop : begin // hop + len(own) // hop]
            self._see_peaks(number, here, own)
            gate.extend(self.silences[number], here, own, self.rate_hz)
            if self.channels[number].hears == ("click",):
                self._see_clicks(number, own)
            self._see_background(number, here, own, frames, hop)
        self._see_likeness([samples[begin:] for samples in heard])

    def level_db(self, number: int) -> np.ndarray:
        """Return the level of a channel's high bands (dB re full scale) every `background.LEVEL_PIECE_S`.

        Call it after the last block: it is worked out once.

        Returns
        -------
        level_db : (n,) array
            From `start` on; empty where no block was long enough.
        """
        if number not in self.levels_db:
            self.levels_db[number] = self._joined_levels(number)
        return self.levels_db[number]

    def noise_floor_db(self, number: int) -> np.ndarray:
        """Return `gain_step.noise_floor_db` of a channel. Call it after the last block: it is worked out once."""
        if number not in self.noise_floors_db:
            self.noise_floors_db[number] = gain_step.noise_floor_db(self.level_db(number))
        return self.noise_floors_db[number]

    def quietest_power(self, number: int) -> float:
        """Return the power at the quietest moments of a channel's median block; 0 of a short recording."""
        return float(np.median([block.quietest for block in self.background[number]] or [0.0]))

    def silence_db(self, number: int) -> float:
        """Return the level of a click channel's high bands between clicks (dB); 0 where nobody can tell.

        Samples of 16 bit hide the noise of a good cable. But clicks that came by cable differ in a bit here and there.
        """
        if self.finest[number] > click.COARSE_STEP and not click.repeat_exactly(self.click_shapes[number]):
            return 0.0
        return float(np.median(self.level_db(number))) if len(self.level_db(number)) else 0.0

    def is_strike(self, hits: np.ndarray) -> np.ndarray:
        """Tell which hits are strikes, not turn marks or clicks, (n_hits,) array of bool."""
        return np.array([channel.hears not in MARKS for channel in self.channels])[hits["channel"].astype(int)]

    def since_start_s(self, hits: np.ndarray) -> np.ndarray:
        """Return the times of hits from the first sample seen, (n_hits,) array."""
        return (hits["at"] - self.start) / self.rate_hz

    def _see_peaks(self, number: int, here: int, own: np.ndarray) -> None:
        ends = float(own.min(initial=0.0)), float(own.max(initial=0.0))
        self.block_peak[number].append(max(ends[1], -ends[0]))
        self.peak[number] = max(self.peak[number], self.block_peak[number][-1])
        self.wave_peaks[number] += clipping.peaks_of_block(own, here, ends, self.peak[number], self.rate_hz)
        if len(self.wave_peaks[number]) > MOST_PEAK_LISTS:
            self.wave_peaks[number] = clipping.merged(self.wave_peaks[number], self.peak[number])

    def _see_clicks(self, number: int, own: np.ndarray) -> None:
        step = np.abs(np.diff(own))
        self.finest[number] = min(self.finest[number], step[step > 0].min(initial=np.inf))
        self.click_shapes[number].update(click.shapes(own, self.rate_hz))

    def _see_background(self, number: int, here: int, own: np.ndarray, frames: np.ndarray, hop: int) -> None:
        hop_s = hop / self.rate_hz
        measured = background.of_block(own, self.rate_hz, self.mains_hz, frames, hop_s)
        if measured is not None:
            self.background[number].append(measured)
        level_db, piece_s = background.high_band_level_db(frames, hop_s)
        self.block_levels[number].append((here, piece_s, level_db))

    def _see_likeness(self, own: list[np.ndarray]) -> None:
        lag = round(DIFFERENCE_S * self.rate_hz)
        differences = np.stack([samples[lag::EVERY_SAMPLE] - samples[:-lag:EVERY_SAMPLE] for samples in own])
        self.product += differences @ differences.T

    def _joined_levels(self, number: int) -> np.ndarray:
        """Return the levels of all blocks on one grid of `background.LEVEL_PIECE_S`."""
        piece_s = background.LEVEL_PIECE_S
        at_s, levels_db = [], []
        for start, its_piece_s, level_db in self.block_levels[number]:
            at_s.append((start - self.start) / self.rate_hz + (np.arange(len(level_db)) + 0.5) * its_piece_s)
            levels_db.append(level_db)
        if not at_s:
            return np.zeros(0)
        at_s, level_db = np.concatenate(at_s), np.concatenate(levels_db)
        if not len(at_s):
            return np.zeros(0)
        grid_s = np.arange(piece_s / 2, at_s[-1] + piece_s / 2, piece_s)
        return level_db[np.clip(np.searchsorted(at_s, grid_s - piece_s / 2), 0, len(at_s) - 1)]
