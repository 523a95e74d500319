"""Read recordings as blocks of samples: a file, or a folder with one file per track.

In: the path of a recording. Out: `Audio`, which yields blocks of float32 samples, one column a channel.

Every format of libsndfile is read, at any sampling rate, width and number of channels. The files of a folder become
the channels of one recording, in natural order (track 2 before track 10); a shorter track is continued with silence. A
file with a damaged end is read up to the damage. High sampling rates can be reduced (`thinned`). Memory does not grow
with the length of the recording.
"""

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path

import numpy as np
import soundfile

from pipeline.errors import InputError

# File name extensions of libsndfile's formats; other files in a folder of tracks (notes, peak files) are ignored.
TRACK_ENDINGS = frozenset(
    f".{ending}" for ending in "wav wave rf64 w64 bwf flac aif aiff aifc ogg oga opus mp3 au snd caf".split()
)
ENOUGH_HZ = 44_100  # least sampling rate of a thinned recording; chosen: the lowest that recorders commonly use
HIGHEST_RATE_HZ = 1_000_000  # chosen: no audio interface has more (768 000); a damaged header may claim anything
HIGHEST_SAMPLE = 1e10  # chosen: full scale is 1, or 2³¹ in odd float files; a damaged file may hold anything
# Low pass of `thin`: thinned samples on either side, and beta of its Kaiser window (Kaiser 1974). Derived: a beta of 8
# gives a stop band of 80 dB, and 24 samples then leave a transition band of 0.1 of the new rate.
FILTER_SAMPLES, FILTER_BETA = 24, 8.0
_SIZE_STEP = 4096  # chosen, for speed only: lengths of the Fourier transform are multiples of it
_CHUNK_OF_DAMAGED = 1024  # samples read at once in a damaged file; chosen: at most so many before the damage are lost
_END_SAMPLES = 64  # chosen: samples that are decoded to see whether a compressed file is whole


@dataclass(frozen=True)
class Track:
    """One file of a recording: its samples as far as they can be decoded."""

    path: Path
    n_channels: int
    n_samples: int
    truncated: bool  # the file ends before its header says


@dataclass(frozen=True)
class Audio:
    """A recording that can be read.

    Attributes
    ----------
    path : Path
    tracks : tuple of Track
    rate_hz : int
        Of the samples that are read.
    start, stop : int
        First sample that is read, and the one after the last; counted from the beginning of the recording.
    step : int
        Samples of the file for one that is read (`thinned`). All counts, start and stop too, are of samples that are
        read.
    """

    path: Path
    tracks: tuple[Track, ...]
    rate_hz: int
    start: int
    stop: int
    step: int = 1

    @property
    def whole(self) -> "Audio":
        """The same recording with all samples of the file: step 1."""
        step = self.step
        return replace(self, rate_hz=self.rate_hz * step, start=self.start * step, stop=self.stop * step, step=1)

    @property
    def n_channels(self) -> int:
        """Channels of all tracks together."""
        return sum(track.n_channels for track in self.tracks)

    @property
    def n_samples(self) -> int:
        """Samples of the longest track, whatever part is read."""
        return max(self.track_lengths)

    @property
    def truncated(self) -> bool:
        """Whether a file ends before its header says."""
        return any(track.truncated for track in self.tracks)

    @property
    def track_lengths(self) -> tuple[int, ...]:
        """Samples of each channel's own file."""
        return tuple(-(-track.n_samples // self.step) for track in self.tracks for _ in range(track.n_channels))

    def blocks(self, length: int, before: int = 0, after: int = 0) -> Iterator[tuple[int, int, np.ndarray]]:
        """Yield blocks from `start` to `stop`, each with samples of context around it.

        Parameters
        ----------
        length : int, >= 1
            Samples of a block without its context.
        before, after : int, >= 0
            Samples of context; fewer at `start` and `stop`.

        Yields
        ------
        first : int
            Sample of the recording in row 0 of the array, context included.
        begin : int
            Row at which the block itself begins. Blocks without their context follow each other without a gap.
        samples : (n, n_channels) float32 array
            Full scale is 1. NaN, infinity and what is beyond `HIGHEST_SAMPLE` are replaced by 0. Of a
            thinned recording the first and last `FILTER_SAMPLES` rows are distorted by the filter.
        """
        if self.step > 1:
            for first, begin, samples in self.whole.blocks(*(self.step * n for n in (length, before, after))):
                yield first // self.step, begin // self.step, thin(samples, self.step)
            return
        with _Reader(self) as reader:
            samples, first = np.zeros((0, self.n_channels), np.float32), self.start
            for begin in range(self.start, self.stop, length):
                end = min(begin + length + after, self.stop)
                kept = samples[max(0, begin - before - first) :]
                first = max(first, begin - before)
                samples = np.empty((end - first, self.n_channels), np.float32)
                samples[: len(kept)] = kept
                reader.read(samples[len(kept) :])
                yield first, begin - first, samples


def look(file, start_s: float | None = None, stop_s: float | None = None) -> Audio:
    """Read the headers of a recording.

    Parameters
    ----------
    file : path-like
        An audio file, or a folder of them.
    start_s, stop_s : float, optional
        The part to read, seconds from sample 0; left out: from the beginning, to the end.

    Returns
    -------
    Audio

    Raises
    ------
    InputError
        There is no such file; libsndfile cannot read it; its rate is beyond `HIGHEST_RATE_HZ`; the
        tracks have different sampling rates; there are no samples between start and stop.
    """
    path = Path(file)
    tracks, rates = [], []
    for part in _parts(path):
        track, rate_hz = _track(part)
        tracks.append(track)
        rates.append(rate_hz)
    if len(set(rates)) > 1:
        odd = next(track.path.name for track, rate in zip(tracks, rates, strict=True) if rate != rates[0])
        raise InputError(
            f"{path}: expected tracks of one sampling rate; found {rates[0]} Hz in {tracks[0].path.name} and "
            f"{rates[tracks.index(next(t for t in tracks if t.path.name == odd))]} Hz in {odd}; "
            "export all tracks again at one rate"
        )
    n_samples, rate_hz = max(track.n_samples for track in tracks), rates[0]
    if rate_hz > HIGHEST_RATE_HZ:
        raise InputError(
            f"{path}: expected at most {HIGHEST_RATE_HZ} samples a second; found {rate_hz}; export it again"
        )
    start = min(round((start_s or 0.0) * rate_hz), n_samples)
    stop = n_samples if stop_s is None else min(round(stop_s * rate_hz), n_samples)
    if n_samples and stop <= start:
        raise InputError(
            f"{path}: expected sound between {start_s or 0:g} s (start_s) and "
            f"{'the end' if stop_s is None else f'{stop_s:g} s (stop_s)'}; found a recording of "
            f"{n_samples / rate_hz:.1f} s; mend start_s or stop_s in the list of recordings"
        )
    return Audio(path, tuple(tracks), rate_hz, start, stop)


def thinned(audio: Audio) -> Audio:
    """Return the recording at a lower sampling rate if its rate is at least twice `ENOUGH_HZ`.

    The rate is divided by the largest whole number that leaves at least `ENOUGH_HZ`. Sample k of the new recording lies
    at sample `k * step` of the file.
    """
    step = next(n for n in range(max(audio.rate_hz // ENOUGH_HZ, 1), 0, -1) if audio.rate_hz % n == 0)
    start, stop = -(-audio.start // step), -(-audio.stop // step)
    return replace(audio, rate_hz=audio.rate_hz // step, start=start, stop=stop, step=step)


def thin(samples: np.ndarray, step: int) -> np.ndarray:
    """Reduce the sampling rate: filter with a low pass that has no delay, and keep every `step`-th sample.

    Parameters
    ----------
    samples : (n,) or (n, n_channels) float32 array
    step : int, >= 1

    Returns
    -------
    (ceil(n / step),) or (ceil(n / step), n_channels) float32 array
    """
    if step == 1 or not len(samples):
        return samples
    n = -(-len(samples) // step)
    size = -(-(n + FILTER_SAMPLES) // _SIZE_STEP) * _SIZE_STEP
    kept = _low_pass(size, step)[(...,) + (None,) * (samples.ndim - 1)]
    spectrum = np.fft.rfft(samples, size * step, axis=0)[: size + 1] * kept
    # Keeping every `step`-th sample folds the spectrum at half the new rate. Above the new rate the low pass leaves
    # nothing, so only the part between half the new rate and the new rate is folded back.
    folded = (spectrum + np.conj(spectrum[::-1]))[: size // 2 + 1]
    return np.fft.irfft(folded, size, axis=0)[:n]


@lru_cache(maxsize=2)
def _low_pass(size: int, step: int) -> np.ndarray:
    """Return the spectrum of the low pass up to the new rate, (size + 1,) float32 array: a windowed sinc function."""
    reach = FILTER_SAMPLES * step
    taps = np.sinc(np.arange(-reach, reach + 1) / step) * np.kaiser(2 * reach + 1, FILTER_BETA)
    taps = np.roll(np.pad(taps / taps.sum() / step, (0, size * step - len(taps))), -reach)
    return np.fft.rfft(taps)[: size + 1].real.astype(np.float32)


def read_part(file, start_s: float, stop_s: float, channels: Sequence[int] | None = None) -> tuple[np.ndarray, int]:
    """Read a short part of a recording into memory, at the sampling rate of the file.

    Parameters
    ----------
    file : path-like
        As in `look`.
    start_s, stop_s : float
        Seconds from sample 0; a part outside the recording is left out.
    channels : sequence of int, optional
        Channels to return, counted from 1; left out: all.

    Returns
    -------
    samples : (n, n_channels) float32 array
    rate_hz : int

    Raises
    ------
    InputError
        As `look`; the recording does not have one of the channels.
    """
    audio = look(file, max(start_s, 0.0), stop_s)
    channels = range(1, audio.n_channels + 1) if channels is None else channels
    if missing := [channel for channel in channels if not 1 <= channel <= audio.n_channels]:
        raise InputError(f"{file}: expected channel {missing[0]}; found {audio.n_channels} channels; mend the rig")
    with _Reader(audio) as reader:
        samples = np.empty((audio.stop - audio.start, audio.n_channels), np.float32)
        reader.read(samples)
    return samples[:, [channel - 1 for channel in channels]], audio.rate_hz


class _Reader:
    """Read all tracks of a recording in parallel, from its `start` on; a context manager that closes the files."""

    def __init__(self, audio: Audio):
        self._audio = audio
        self._files = []

    def __enter__(self):
        for track in self._audio.tracks:
            file = soundfile.SoundFile(track.path)
            self._files.append(file)
            if self._audio.start:
                file.seek(min(self._audio.start, track.n_samples))
        return self

    def __exit__(self, *_):
        for file in self._files:
            file.close()

    def read(self, block: np.ndarray) -> None:
        """Fill a block, (n, n_channels) float32 array, with the next samples; a track that has ended gives zeros."""
        column = 0
        for file, track in zip(self._files, self._audio.tracks, strict=True):
            part = block[:, column : column + track.n_channels]
            part[_decode(file, part) :] = 0.0
            column += track.n_channels
        # For speed: the power is no number, or beyond any sound, if one sample is.
        with np.errstate(over="ignore", invalid="ignore"):
            ordinary = np.vdot(block, block) < HIGHEST_SAMPLE**2
        if not ordinary:
            block[~(np.abs(block) < HIGHEST_SAMPLE)] = 0.0


def _decode(file: soundfile.SoundFile, part: np.ndarray) -> int:
    """Fill a part of a block with the next samples of a file; return how many rows were filled."""
    at = file.tell()
    try:
        if part.flags.c_contiguous:
            return len(file.read(out=part)) if len(part) else 0
        samples = file.read(len(part), dtype="float32", always_2d=True)
    except soundfile.LibsndfileError:
        samples = _decoded_piecewise(file, at, len(part))
    part[: len(samples)] = samples
    return len(samples)


def _decoded_piecewise(file: soundfile.SoundFile, at: int, n: int) -> np.ndarray:
    """Return the samples of a damaged file from sample `at` up to the damage, at most `n`."""
    pieces = []
    try:
        file.seek(at)
        while n > 0:
            piece = file.read(min(n, _CHUNK_OF_DAMAGED), dtype="float32", always_2d=True)
            if not len(piece):
                break
            pieces.append(piece)
            n -= len(piece)
    except soundfile.LibsndfileError:
        pass
    return np.concatenate(pieces) if pieces else np.zeros((0, file.channels), np.float32)


def _parts(path: Path) -> list[Path]:
    """Return the file, or the files of the folder in natural order."""
    if not path.exists():
        raise InputError(f"{path}: expected a recording; found no such file or folder; mend 'file' or put it there")
    if not path.is_dir():
        if not path.is_file():  # a pipe would wait for ever
            raise InputError(f"{path}: expected a recording; found no file but a pipe or a device; mend 'file'")
        return [path]
    parts = [
        part
        for part in path.iterdir()
        if part.suffix.lower() in TRACK_ENDINGS and not part.name.startswith(".") and part.is_file()
    ]
    if not parts:
        raise InputError(
            f"{path}: expected a folder with one audio file per track; found none; export the tracks again"
        )
    return sorted(parts, key=lambda part: natural(part.name))


def natural(name: str) -> tuple:
    """Return a key that sorts 'track 2' before 'track 10'."""
    words = re.split(r"(\d+)", name.casefold())
    return tuple((int(word), "") if word.isdecimal() else (-1, word) for word in words if word), name


def _track(path: Path) -> tuple[Track, int]:
    """Read the header of one file; return the track and its sampling rate, Hz."""
    try:
        with soundfile.SoundFile(path) as file:
            n_samples, truncated = file.frames, _says_more(file.extra_info)
            damaged = file.format in ("FLAC", "OGG", "MPEG") and n_samples > 0 and not _ends_well(file)
            n_channels, rate_hz = file.channels, file.samplerate
        if damaged:
            n_samples, truncated = _readable(path), True
        return Track(path, n_channels, n_samples, truncated), rate_hz
    except TypeError:  # of a file with the ending of raw samples, which has no header
        raise InputError(f"{path}: expected audio with a header; found raw samples; export it as WAV") from None
    except (soundfile.LibsndfileError, OSError, RuntimeError) as error:
        if path.stat().st_size == 0:
            raise InputError(f"{path}: expected audio; found an empty file; record or copy it again") from None
        what = str(error).rsplit(": ", 1)[-1].rstrip(".")
        raise InputError(f"{path}: expected audio that libsndfile reads; found '{what}'; export it as WAV") from None


def _says_more(log: str) -> bool:
    """Tell from the log of libsndfile whether the header announces more bytes than the file has."""
    for promised, real in re.findall(r"(?:data|SSND|RIFF|FORM)\s*: (\d+) \(should be (\d+)\)", log):
        # A recorder that was switched off leaves a length of 0 or all ones; libsndfile then uses the file's length.
        if int(promised) > int(real) and int(promised) < 2**32 - 1024:
            return True
    return False


def _ends_well(file: soundfile.SoundFile) -> bool:
    """Tell whether the last samples that the header announces can be decoded."""
    try:
        file.seek(max(0, file.frames - _END_SAMPLES))
        return len(file.read(_END_SAMPLES, dtype="float32")) == min(_END_SAMPLES, file.frames)
    except soundfile.LibsndfileError:
        return False


def _readable(path: Path) -> int:
    """Count the samples that can be decoded before the damage."""
    n_samples = 0
    with soundfile.SoundFile(path) as file:
        try:
            while n := len(file.read(_CHUNK_OF_DAMAGED, dtype="float32")):
                n_samples += n
        except soundfile.LibsndfileError:
            pass
    return n_samples
