"""Exchange a microphone between two build days, or none, and ask whether it is noticed.

`python -m tests.benchmarks.build_days_microphones [TRIALS [SEED]]` renders struck bodies (the demo's simulator) in two
takes a day through four contact microphones, each with its own gain, high-frequency limit, resonance and low end; finds
the hits; and prints how often an exchanged microphone is called moved, how often one that stayed is, and how often a
gain touched by 6 dB on one channel is.
"""

import sys
import tempfile
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd
import soundfile
from scipy import signal

from demo import sound
from pipeline import hits, settings
from pipeline.timing import Take
from pipeline.timing.tables import levels
from pipeline.trend.changes import microphones
from pipeline.trend.changes.verdicts import with_verdicts

MATERIALS = ("wood", "metal", "stone", "skin")
RATE_HZ = sound.RATE_HZ
GAP_S = 0.25  # from strike to strike
N_STRIKES = 30  # of each body in a take
MOOD_DB = 0.5  # by which a crew strikes louder in one take than in another, all strikers alike
KEYS = {"arrangement": "song", "session": 1, "setup": ""}


@dataclass
class Contact:
    """One contact microphone as it is fixed."""

    gain_db: float
    lowpass_hz: float
    resonance_hz: float
    resonance_db: float
    low_db: float  # below 300 Hz


def drawn(chance) -> Contact:
    """Draw a microphone and its place."""
    return Contact(
        gain_db=chance.normal(0, 4),
        lowpass_hz=chance.uniform(3000, 14000),
        resonance_hz=np.exp(chance.uniform(np.log(500), np.log(7000))),
        resonance_db=chance.uniform(4, 14),
        low_db=chance.uniform(-10, 4),
    )


def through(samples, one: Contact):
    """Return what the microphone gives of a sound."""
    peak = signal.iirpeak(one.resonance_hz, 2.0, fs=RATE_HZ)
    low = signal.butter(1, 300, fs=RATE_HZ)
    made = samples + (10 ** (one.resonance_db / 20) - 1) * signal.lfilter(*peak, samples)
    made = made + (10 ** (one.low_db / 20) - 1) * signal.lfilter(*low, samples)
    return 10 ** (one.gain_db / 20) * signal.lfilter(*signal.butter(2, one.lowpass_hz, fs=RATE_HZ), made)


def take_of(chance, contacts, folder, name) -> tuple[Take, pd.DataFrame]:
    """Record one take; return it and its strikes as `levels` reads them."""
    n = int((N_STRIKES * len(MATERIALS) * GAP_S + 2) * RATE_HZ)
    channels = np.zeros((n, len(MATERIALS)))
    bodies = [sound.material_body(material, material) for material in MATERIALS]
    mood_db = chance.normal(0, MOOD_DB)
    at = int(RATE_HZ)
    for strike in range(N_STRIKES * len(bodies)):
        body = strike % len(bodies)
        samples, _ = sound.hit(bodies[body], -14 + mood_db + chance.normal(0, 1.2), chance)
        end = min(n, at + len(samples))
        channels[at:end, body] += samples[: end - at]
        at += int(GAP_S * RATE_HZ)
    heard = np.stack([through(channels[:, k], one) for k, one in enumerate(contacts)], axis=1)
    heard += chance.normal(0, 10 ** (-72 / 20), heard.shape)
    path = Path(folder, f"{name}.wav")
    soundfile.write(path, heard, RATE_HZ, subtype="FLOAT")
    recording = settings.Recording(name, str(path), date(2031, 5, 3), "full", "song")
    machine = settings.Machine(
        settings.Barrel(), (), None, tuple(settings.Striker(one, (k,)) for k, one in enumerate(MATERIALS))
    )
    rig = settings.Rig("full", tuple(settings.Channel(k + 1, (one,)) for k, one in enumerate(MATERIALS)))
    table, said = hits.find(recording, rig, machine, settings.Detection())
    frame = table.select(["hit_id", "level_db", "channel", "kind"]).to_pandas()
    frame = frame[frame["kind"] == "strike"]
    rows = frame.assign(striker=frame["channel"] - 1, played=True, shared=1)
    return Take(recording, None, table, said, rig), rows[["hit_id", "level_db", "striker", "played", "shared"]]


def strikers_of(chance, contacts, day, folder, n_takes=2) -> pd.DataFrame:
    """Return what the table 'strikers' says of microphones on one day."""
    made = [take_of(chance, contacts, folder, f"d{day}t{k}") for k in range(n_takes)]
    rows = pd.concat([rows.assign(take=k) for k, (_, rows) in enumerate(made)])
    strikes = SimpleNamespace(rows=rows, striker_names=MATERIALS)
    columns = levels.levels([take for take, _ in made], SimpleNamespace(strikes=strikes))
    keys = KEYS | {"build_day": date(2031, 5, 3 + day), "n_takes": n_takes}
    return pd.DataFrame(columns).assign(striker=MATERIALS, **keys)


def called(before, now) -> dict:
    """Return {(channel or 'all', quantity): called moved} of two days."""
    scale = microphones.take_sds(pd.concat([before, now], ignore_index=True))
    made = with_verdicts(microphones.microphones(before, now, scale).assign(asked=False))
    keys = zip(made["thing"].str.removeprefix("full, "), made["quantity"], strict=True)
    return dict(zip(keys, made["verdict"].eq("moved"), strict=True))


def trial(seed) -> tuple[bool, bool, bool, int]:
    """Return: exchanged one noticed, another one called, touched gain noticed, false calls of two equal days."""
    chance = np.random.default_rng(seed)
    contacts = [drawn(chance) for _ in MATERIALS]
    which = int(chance.integers(len(MATERIALS)))
    with tempfile.TemporaryDirectory() as folder:
        first = strikers_of(chance, contacts, 0, folder)
        same = strikers_of(chance, contacts, 1, folder)
        other = list(contacts)
        other[which] = drawn(chance)
        exchanged = strikers_of(chance, other, 1, folder)
        louder = list(contacts)
        louder[which] = Contact(**vars(contacts[which]) | {"gain_db": contacts[which].gain_db - 6})
        touched = strikers_of(chance, louder, 1, folder)
    mine = f"channel {which + 1}"
    of_exchange = called(first, exchanged)
    noticed = any(moved for (channel, _), moved in of_exchange.items() if channel == mine)
    others = any(moved for (channel, _), moved in of_exchange.items() if channel != mine)
    return noticed, others, called(first, touched)[mine, "level"], sum(called(first, same).values())


def main(trials=20, seed=1):
    made = np.array([trial([seed, k]) for k in range(trials)], dtype=int)
    print(
        f"{trials} machines: exchanged microphone noticed in {made[:, 0].sum()}, another one called in "
        f"{made[:, 1].sum()}; a gain lowered by 6 dB noticed in {made[:, 2].sum()}; of two equal days something called "
        f"in {(made[:, 3] > 0).sum()}"
    )


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
