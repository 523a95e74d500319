"""Try bad inputs, each in a process of its own with bounded time and memory, and count what comes of them.

    python -m tests.benchmarks.bad_inputs [first_seed] [n_random] [commands] [sample=N] [words of a case's name]

A small invented workshop (a song, a list of hits, a trigger's MIDI file, two sound files) is spoilt in one place at a
time: values of the configuration, cells of the list of recordings, lists of hits, MIDI, sound, files that are none, and
`n_random` random changes of bytes of each kind of file. Then `check` and the stages run, and with `commands` also
`look`, `new` and `export` as a user types them. Wanted of each: either a
plain line for each fault, or results; no traceback, no wait beyond `LONGEST_S`, no more memory than `MOST_BYTES`, no
flood of lines, no control characters on the terminal. Prints each case that is otherwise, and the counts.
"""

import os
import random
import re
import resource
import shutil
import signal
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path

import mido
import numpy as np
import soundfile

LONGEST_S = 60  # a small song; the slowest good case takes about 5 s
MOST_BYTES = 3 * 2**30  # of address space; numba and arrow alone reserve 1.3 GB
MOST_LINES, LONGEST_LINE = 60, 1200
COMMANDS = 3  # times all that where six commands more are typed
RATE_HZ = 8000

CONFIG = """\
arrangements:
  song: song.mid
  clock: {bpm: 96, beats_per_bar: 4, bars: 8, strikes_per_bar: 1, striker: arm, bars_per_turn: 1}
arrangement: song
recordings: recordings.csv
results: results
baseline: 2031-05-03
machine:
  barrel: {bars_per_turn: 8, diameter_mm: 420, pins: song}
  shafts:
    flywheel: {turns: 6.5, drive: belt}
    crank: {pulleys_mm: [390, 130], drive: freewheel}
  flywheel: [{mass_kg: 18, outer_mm: 600, inner_mm: 420, count: 2}]
  finest_move_mm: 0.2
  strikers:
    - {name: oak block, notes: [60]}
    - {name: slate, notes: [62, 63], was: tile}
    - {name: drum, notes: [36], channel: 1, delay_ms: 1.5}
setups:
  wide pulley: {shafts: {flywheel: 5.0}}
rigs:
  full:
    - {channel: 1, hears: everything}
    - {channel: 2, hears: click, bpm: 120, per_beat: 1}
detection: {minimum_gap_ms: 12, sensitivity: 0.5, mains_hz: 50, idle_file: idle.wav}
edits: edits.csv
"""
EDITS = [
    "recording,from_s,to_s,action,note_id",
    "listed,3.2,3.8,ignore,",
    "trigger,4.7,5.3,extra,",
    "sound,6.3,6.8,note_id,12",
]
ROWS = [
    "recording,file,build_day,rig,arrangement,setup,session,start_s,stop_s,crew,note",
    "listed,list.csv,2031-05-03,full,song,,1,,,two,first",
    "trigger,trigger.mid,2031-05-03,full,song,,1,,,two,",
    "sound,take.wav,2031-05-04,full,song,wide pulley,1,0.0,30,one,",
]
VALUES = [
    "",
    "null",
    "-1",
    "0",
    "1e999",
    "nan",
    ".inf",
    "1e-320",
    "9" * 400,
    "9223372036854775808",
    "true",
    "[]",
    "{}",
    "[1, [2]]",
    "²",
    "①",
    "'²'",
    "1,5",
    "a: b",
    "x" * 300,
    "../nowhere",
    "/dev/zero",
    '"\\e[31mred\\e[0m"',
    '"\\ud800"',
    "!!python/object/apply:os.system ['true']",
    "&a [*a]",
    "*a",
    "0x10",
    "1_000",
    "2031-02-30",
    "folder",
    "fifo",
    "<script>alert(1)</script>",
    "$(touch hacked)",
]
CELLS = [
    "",
    "-1",
    "nan",
    "1e999",
    "9" * 400,
    "9223372036854775808",
    "²",
    "x" * 300,
    "\x1b[31mred",
    "=1+1",
    "a b",
    "../nowhere.wav",
    "folder",
    "fifo",
    "fifo.csv",
    "fifo.mid",
    "/dev/zero",
    "2031-02-30",
    '"open',
    "é" * 200 + ".wav",
    "\u202eevil",
    "{song}",
]
LISTS = {
    "empty": "",
    "heading only": "hit_s,striker\n",
    "no heading": "0.5\n1.0\n",
    "a cell of 200 kB": "hit_s,striker\n0.5," + "x" * 200_000 + "\n",
    "an open quote": 'hit_s,striker\n0.5,"slate\n' + "1.0,slate\n" * 20_000,
    "20 000 bad rows": "hit_s,striker\n" + "soon,slate\n" * 20_000,
    "20 000 unknown names": "hit_s,striker\n" + "".join(f"{n},s{n}\n" for n in range(20_000)),
    "channel beyond 64 bits": "hit_s,channel\n0.5,9223372036854775808\n1.0,1\n",
    "channel of 400 digits": "hit_s,channel\n0.5," + "9" * 400 + "\n",
    "channel ²": "hit_s,channel\n0.5,²\n",
    "channel 1e300": "hit_s,channel\n0.5,1e300\n",
    "level 1e400": "hit_s,striker,level_db\n0.5,slate,1e400\n",
    "level nan": "hit_s,striker,level_db\n0.5,slate,nan\n",
    "negative": "hit_s,striker\n-0.5,slate\n",
    "one hit at 21 000 s": "{good}21000,slate\n",
    "each hit twice": "{twice}",
    "milliseconds": "{ms}",
    "samples": "{samples}",
    "decimal commas in one column": "{commas}",
    "decimal commas and semicolons": "{semicolons}",
    "underscores": "hit_s,striker\n1_0,slate\n",
    "infinite": "hit_s,striker\ninf,slate\n",
    "sep line": "sep=;\nhit_s;striker\n0.5;slate\n1.25;slate\n",
    "comment lines": "# from the bench\n{good}",
    "capitals": "{capitals}",
    "control characters in a name": "hit_s,striker\n0.5,\x1b[2Jslate\n",
    "a newline in a name": 'hit_s,striker\n0.5,"oak\nblock"\n',
    "too many cells": "hit_s,striker\n0.5,slate,1,2,3\n",
    "binary": "\0\1\2\3" * 100,
    "same column twice": "hit_s,hit_s\n0.5,0.6\n",
    "one hit": "hit_s,striker\n0.5,slate\n",
    "all at one time": "hit_s,striker\n" + "1.0,slate\n" * 50,
    "100 000 hits": "{many}",
}


def strikes() -> list[tuple[float, str]]:
    """Return the song as it was played: 8 bars of a strike each half second at 120 a minute, unevenly."""
    chance = np.random.default_rng(7)
    names = ["oak block", "slate", "drum", "slate"]
    return [(0.5 + 0.5 * n + float(chance.normal(0, 0.004)), names[n % 4]) for n in range(32)]


def make_midi(path: Path, at_s, pitches) -> None:
    track, last = mido.MidiTrack(), 0
    for when, pitch in zip(at_s, pitches, strict=True):
        tick = round(when * 960)  # 480 to the quarter note, two quarter notes a second
        track += [
            mido.Message("note_on", note=pitch, velocity=90, time=tick - last),
            mido.Message("note_off", note=pitch),
        ]
        last = tick
    mido.MidiFile(type=0, ticks_per_beat=480, tracks=[track]).save(path)


def make_sound(path: Path, at_s) -> None:
    samples = np.random.default_rng(3).normal(0, 1e-4, (18 * RATE_HZ, 2))
    ring = np.exp(-np.arange(RATE_HZ // 10) / 150) * np.random.default_rng(4).normal(0, 0.3, RATE_HZ // 10)
    for n, when in enumerate(at_s):
        first = round(when * RATE_HZ)
        samples[first : first + len(ring), 0] += ring
        click = round((0.5 + 0.5 * n) * RATE_HZ)
        samples[click : click + 8, 1] += 0.5
    soundfile.write(path, samples, RATE_HZ, subtype="PCM_16")


def make_workshop(folder: Path) -> None:
    """Write a configuration without a fault and all that it names."""
    pitch = {"oak block": 60, "slate": 62, "drum": 36}
    played = strikes()
    make_midi(folder / "song.mid", [0.5 * n for n in range(32)], [pitch[name] for _, name in played])
    make_midi(folder / "trigger.mid", [at for at, _ in played], [pitch[name] for _, name in played])
    make_sound(folder / "take.wav", [at for at, _ in played])
    make_sound(folder / "take.flac", [at for at, _ in played])
    soundfile.write(folder / "idle.wav", np.random.default_rng(5).normal(0, 1e-4, (32000, 2)), RATE_HZ)
    (folder / "list.csv").write_text(list_of(played), "utf-8")
    (folder / "config.yaml").write_text(CONFIG, "utf-8")
    (folder / "recordings.csv").write_text("\n".join(ROWS) + "\n", "utf-8")
    (folder / "edits.csv").write_text("\n".join(EDITS) + "\n", "utf-8")
    (folder / "folder").mkdir()
    for name in ("fifo", "fifo.csv", "fifo.mid", "fifo.wav"):
        os.mkfifo(folder / name)


def list_of(played, factor=1.0, comma=False, separator=",") -> str:
    number = lambda value: f"{value * factor:.4f}".replace(".", ",") if comma else f"{value * factor:.4f}"  # noqa: E731
    return "\n".join([f"hit_s{separator}striker", *(f"{number(at)}{separator}{name}" for at, name in played)]) + "\n"


# --- the cases: a name, and what spoils the folder -------------------------------------------------------------------


def cases(seed: int, n_random: int) -> Iterator[tuple[str, Callable[[Path], None]]]:
    yield "good", lambda folder: None
    yield from _configurations(seed)
    yield from _rows()
    yield from _edits()
    yield from _lists()
    yield from _midi_files()
    yield from _sounds()
    yield from _files()
    yield from _damages(seed, n_random)


def _configurations(seed: int):
    # Every value of the configuration, from its colon to the comma, bracket or end of line, is a third of `VALUES`;
    # another with each seed.
    places = re.finditer(r"(?<=: )[^\s{\[][^,}\]\n]*|(?<=: )\[[^\]]*\]", CONFIG)
    for rank, match in enumerate(places):
        line = CONFIG.count("\n", 0, match.start()) + 1
        for value in VALUES[(rank + seed) % 3 :: 3]:
            text = CONFIG[: match.start()] + value + CONFIG[match.end() :]
            yield f"config line {line}: {match[0]} -> {value[:40]}", _writes("config.yaml", text.encode("utf-8"))
    for name, raw in {
        "empty": b"",
        "binary": bytes(range(256)) * 20,
        "utf-16": CONFIG.encode("utf-16"),
        "latin-1": CONFIG.replace("slate", "schiefer\u00e4").encode("latin-1"),
        "surrogate": CONFIG.encode() + b"\xed\xa0\x80",
        "bombs": b"a: &a [x,x,x,x,x,x,x,x,x]\n"
        + b"".join(b"%c: &%c [%s]\n" % (97 + n, 97 + n, b",".join([b"*%c" % (96 + n)] * 9)) for n in range(1, 12)),
        "100 000 brackets": b"[" * 100_000,
        "merge of a merge": CONFIG.replace(
            "setups:\n",
            "setups:\n  a: &a {shafts: {flywheel: 4.0}}\n  b: &b\n    <<: *a\n  c:\n    <<: *b\n",
        ).encode(),
        "20 000 strikers of no name": CONFIG.replace(
            "    - {name: slate", "    - {nam: slate}\n" * 5000 + "    - {name: slate"
        ).encode(),
    }.items():
        yield f"config: {name}", _writes("config.yaml", raw)


def _rows():
    heading = ROWS[0].split(",")
    for row in (1, 3):
        for column, name in enumerate(heading):
            for value in CELLS:
                cells = ROWS[row].split(",")
                cells[column] = value
                text = "\n".join([*ROWS[:row], ",".join(cells), *ROWS[row + 1 :]]) + "\n"
                yield f"row {row} {name}: {value[:40]!r}", _writes("recordings.csv", text.encode())
    many = "\n".join([ROWS[0], *(f"r{n},nowhere{n}.wav,soon,full,song,,1,,,," for n in range(20_000))])
    yield "rows: 20 000 bad ones", _writes("recordings.csv", many.encode())
    yield "rows: utf-16", _writes("recordings.csv", "\n".join(ROWS).encode("utf-16"))
    yield "rows: a cell of 200 kB", _writes("recordings.csv", ("\n".join(ROWS) + "x" * 200_000).encode())
    yield "rows: binary", _writes("recordings.csv", bytes(range(256)) * 10)


def _edits():
    for row in (1, 3):
        for column, name in enumerate(EDITS[0].split(",")):
            for value in CELLS:
                cells = EDITS[row].split(",")
                cells[column] = value
                text = "\n".join([*EDITS[:row], ",".join(cells), *EDITS[row + 1 :]]) + "\n"
                yield f"edit {row} {name}: {value[:40]!r}", _writes("edits.csv", text.encode())
    overlapping = "".join(f"listed,{n},{n + 30_000},{('ignore', 'extra')[n % 2]},\n" for n in range(20_000))
    for name, text in {
        "of everything": "listed,0,999999,ignore,\nsound,0,999999,extra,\n",
        "that takes no hit": "listed,900,901,ignore,\nsound,900,901,note_id,3\n",
        "of many hits for one note": "sound,0,99,note_id,3\n",
        "of each moment": "".join(f"listed,{n / 1000},{(n + 1) / 1000},ignore,\n" for n in range(20_000)),
        "20 000 overlapping": overlapping,
        "20 000 bad ones": "nobody,soon,later,mend,x\n" * 20_000,
        "a cell of 200 kB": "listed,1,2,ignore," + "x" * 200_000 + "\n",
    }.items():
        yield f"edits: {name}", _writes("edits.csv", f"{EDITS[0]}\n{text}".encode())
    yield "edits: utf-16", _writes("edits.csv", "\n".join(EDITS).encode("utf-16"))
    yield "edits: binary", _writes("edits.csv", bytes(range(256)) * 10)
    yield "edits: empty", _writes("edits.csv", b"")


def _lists():
    played = strikes()
    good = list_of(played)
    known = {
        "good": good,
        "twice": list_of([one for one in played for _ in range(2)]),
        "ms": list_of(played, 1000.0),
        "samples": list_of(played, 48000.0),
        "semicolons": list_of(played, comma=True, separator=";"),
        "commas": "hit_s\n" + "".join(f"{at:.3f}\n".replace(".", ",") for at, _ in played),
        "capitals": good.replace("hit_s,striker", "Hit_S,Striker"),
        "many": list_of([(n * 0.02 + 1e-4 * (n % 7), played[n % 4][1]) for n in range(100_000)]),
    }
    for name, text in LISTS.items():
        made = text.format(**known) if "{" in text else text
        yield f"list: {name}", _writes("list.csv", made.encode())
    yield "list: utf-16", _writes("list.csv", good.encode("utf-16"))
    yield "list: latin-1", _writes("list.csv", good.replace("slate", "schiefer\u00e4").encode("latin-1"))
    yield "list: old line ends", _writes("list.csv", good.replace("\n", "\r").encode())


def _midi_files():
    def header(kind=0, n_tracks=1, division=480, size=6):
        return b"MThd" + size.to_bytes(4, "big") + b"".join(n.to_bytes(2, "big") for n in (kind, n_tracks, division))

    def track(events: bytes, size=None):
        return b"MTrk" + (len(events) if size is None else size).to_bytes(4, "big") + events

    note, end = b"\x00\x90\x3c\x5a", b"\x00\xff\x2f\x00"
    bad = {
        "empty": b"",
        "first bytes": b"MThd\0\0",
        "another kind": b"RIFF" + bytes(60),
        "division 0": header(division=0) + track(note + end),
        "smpte of 0 ticks": header(division=0xE700) + track(note + end),
        "smpte of 0 frames": header(division=0x8010) + track(note + end),
        "an endless delta": header() + track(b"\xff\xff\xff\xff\xff\xff\xff\x7f\x90\x3c\x5a" + end),
        "many long deltas": header() + track(b"\xff\xff\xff\x7f\x90\x3c\x5a" * 100_000 + end),
        "a long delta": header() + track(b"\xff\xff\xff\x7f\x90\x3c\x5a" * 3 + end),
        "type 2": header(2, 2) + track(note + end) * 2,
        "type 7": header(7) + track(note + end),
        "65535 tracks": header(1, 65535) + track(note + end),
        "a track of 4 GB": header() + track(note + end, 0xFFFFFFFF),
        "a header of 4 GB": header(size=0xFFFFFFFF) + track(note + end),
        "no notes": header() + track(end),
        "no tracks": header(0, 0),
        "tempo 0": header() + track(b"\x00\xff\x51\x03\0\0\0" + note + end),
        "tempo of 2 bytes": header() + track(b"\x00\xff\x51\x02\0\0" + note + end),
        "signature 0/4": header() + track(b"\x00\xff\x58\x04\x00\x02\x18\x08" + note + end),
        "signature 4/2^255": header() + track(b"\x00\xff\x58\x04\x04\xff\x18\x08" + note + end),
        "a key of 99 sharps": header() + track(b"\x00\xff\x59\x02\x63\x00" + note + end),
        "running status first": header() + track(b"\x00\x3c\x5a" + note + end),
        "an unknown status": header() + track(b"\x00\xf4" + note + end),
        "a marker that is no text": header() + track(b"\x00\xff\x06\x04\xff\x1b[2" + note + end),
        "100 000 notes at one tick": header() + track(note * 100_000 + end),
    }
    for name, raw in bad.items():
        for file in ("song.mid", "trigger.mid"):
            yield f"midi: {file}: {name}", _writes(file, raw)


def _sounds():
    def wav(rate=8000, channels=2, bits=16, kind=1, data=b"\0\0" * 4000, size=None, align=None):
        align = channels * bits // 8 if align is None else align
        fmt = b"".join(
            n.to_bytes(width, "little")
            for n, width in (
                (kind, 2),
                (channels, 2),
                (rate, 4),
                (rate * align % 2**32, 4),
                (align % 65536, 2),
                (bits, 2),
            )
        )
        body = b"WAVEfmt " + (16).to_bytes(4, "little") + fmt
        body += b"data" + (len(data) if size is None else size).to_bytes(4, "little") + data
        return b"RIFF" + len(body).to_bytes(4, "little") + body

    for name, raw in {
        "empty": b"",
        "header only": wav(data=b""),
        "10^9 samples a second": wav(rate=10**9),
        "4 * 10^9 samples a second": wav(rate=2**32 - 1),
        "0 samples a second": wav(rate=0),
        "1 sample a second": wav(rate=1),
        "65535 channels": wav(channels=65535),
        "0 channels": wav(channels=0),
        "a data size of 4 GB": wav(size=2**32 - 1),
        "silence": wav(data=bytes(2 * 2 * 8000 * 4)),
        "not a number": wav(kind=3, bits=32, data=np.full(64000, np.nan, np.float32).tobytes()),
        "infinite": wav(kind=3, bits=32, data=np.full(64000, np.inf, np.float32).tobytes()),
        "huge": wav(kind=3, bits=32, data=np.full(64000, 3e38, np.float32).tobytes()),
        "full scale noise": wav(data=np.random.default_rng(1).integers(-32768, 32767, 64000, np.int16).tobytes()),
        "text": b"this is no sound\n" * 100,
    }.items():
        yield f"sound: {name}", _writes("take.wav", raw)
    # One strike's sound again and again, with each sample of one value: clipped at every strike.
    for times in (3, 30, 300):
        yield f"sound: clipped x {times}", _clips(times)
    for name in ("take.raw", "take", "take.mp3", "take.WAV", "take.txt"):
        yield f"sound: named {name}", _renames("take.wav", name)
    yield "sound: a track named ²", _folder_of_tracks(["²", "①", "track 2"])
    yield "sound: a track that is not utf-8", _folder_of_tracks([os.fsdecode(b"\xff\xfe")])
    yield "sound: 300 tracks", _folder_of_tracks([f"t{n}" for n in range(300)])


def _files():
    for file in ("config.yaml", "recordings.csv", "song.mid", "list.csv", "trigger.mid", "take.wav", "idle.wav"):
        yield f"file: {file} is a pipe", _replaces(file, os.mkfifo)
        yield f"file: {file} is a folder", _replaces(file, os.mkdir)
        yield f"file: {file} is a link to itself", _replaces(file, lambda path: os.symlink(path, path))
        yield f"file: {file} is a device", _replaces(file, lambda path: os.symlink("/dev/zero", path))
        yield f"file: {file} is gone", _replaces(file, lambda path: None)
    for results in ("list.csv", "list.csv/under", "x" * 300, "/dev/null/x", "/proc/x", "fifo", "."):
        text = CONFIG.replace("results: results", f"results: {results}")
        yield f"file: results: {results[:20]}", _writes("config.yaml", text.encode())
    song = b"MThd\0\0\0\6\0\0\0\1\1\xe0MTrk"
    events = b"".join(b"\x60\x90" + bytes([60 if n % 2 else 62, 90]) for n in range(20_000)) + b"\x00\xff\x2f\x00"
    yield "file: a long song and a short list", _writes("song.mid", song + len(events).to_bytes(4, "big") + events)
    clock = CONFIG.replace("bars: 8, strikes_per_bar: 1", "bars: 1000000, strikes_per_bar: 100")
    yield "file: a clock of 10^8 strikes", _writes("config.yaml", clock.encode())


def _damages(seed: int, n: int):
    for file in (
        "config.yaml",
        "recordings.csv",
        "edits.csv",
        "list.csv",
        "song.mid",
        "trigger.mid",
        "take.wav",
        "take.flac",
    ):
        for rank in range(n):
            yield f"bytes: {file} {seed + rank}", _damage(file, seed + rank)


def _writes(name: str, raw: bytes):
    return lambda folder: (folder / name).write_bytes(raw)


def _replaces(name: str, make):
    def spoil(folder: Path):
        (folder / name).unlink()
        make(folder / name)

    return spoil


def _renames(old: str, new: str):
    def spoil(folder: Path):
        (folder / old).rename(folder / new)
        _edit(folder / "recordings.csv", old, new)

    return spoil


def _folder_of_tracks(names: list[str]):
    def spoil(folder: Path):
        (folder / "tracks").mkdir()
        for name in names:
            shutil.copy(folder / "take.wav", folder / "tracks" / f"{name}.wav")
        _edit(folder / "recordings.csv", "take.wav", "tracks")

    return spoil


def _clips(times: int):
    def spoil(folder: Path):
        samples, rate_hz = soundfile.read(folder / "take.wav")
        soundfile.write(folder / "take.wav", np.clip(samples * times, -1, 1), rate_hz)

    return spoil


def _damage(name: str, seed: int):
    def spoil(folder: Path):
        if name == "take.flac":
            _edit(folder / "recordings.csv", "take.wav", "take.flac")
        chance, raw = np.random.default_rng([seed, len(name)]), bytearray((folder / name).read_bytes())
        reach = len(raw) if chance.random() < 0.5 else min(len(raw), 200)  # headers as often as the rest
        for _ in range(int(chance.integers(1, 9))):
            at = int(chance.integers(reach))
            kind = chance.integers(4)
            if kind == 0:
                raw[at] = int(chance.integers(256))
            elif kind == 1:
                raw[at] ^= 1 << int(chance.integers(8))
            elif kind == 2:
                del raw[at : at + int(chance.integers(1, 20))]
            else:
                raw[at:at] = bytes(chance.integers(0, 256, int(chance.integers(1, 20)), np.uint8))
            reach = max(min(reach, len(raw)), 1)
        (folder / name).write_bytes(bytes(raw))

    return spoil


def _edit(path: Path, old: str, new: str) -> None:
    path.write_text(path.read_text("utf-8").replace(old, new), "utf-8", errors="surrogateescape")


# --- running one ------------------------------------------------------------------------------------------------------


def run(folder: Path) -> int:
    """Run `check` and all stages in this process as the workflow does; return 1 at the first that refuses."""
    from pipeline import __main__, settings
    from pipeline.errors import InputError

    os.chdir(folder)
    # Where `check` refuses, the workflow does not start; a recording that is refused stops nobody, though.
    __main__.main(["check", "config.yaml"])
    try:
        config = settings.load("config.yaml")
    except InputError:
        return 1
    jobs = [("notes", one.name) for one in config.arrangements]
    jobs += [(stage, one.recording) for one in config.recordings for stage in ("hits", "aligned")]
    jobs += [("timing", one.id) for one in config.groups()]
    jobs += [(stage,) for stage in ("tables", "worklist", "trend", "report")]
    for stage, *words in jobs:
        if __main__.main([stage, "config.yaml", *words]):
            return 1
    return 0


def typed(folder: Path) -> int:
    """Run all stages, then the user's commands on what is spoilt; return 1 where anything was refused."""
    from pipeline import commands

    refused = run(folder)
    for file in ("take.wav", "take.flac", "list.csv", "trigger.mid"):
        refused |= commands.main(["look", file, "--bpm", "120"])
    refused |= commands.main(["new", "drafted", "--arrangement", "song.mid", "--recordings", "."])
    return refused | commands.main(["export", "config.yaml", "--csv"])


def outcome(folder: Path, spoil, run=run, times=1) -> tuple[str, str, float]:
    """Spoil a copy of the workshop and run it in a child; return what came of it, what it printed, seconds.

    `times`: by which the limits are raised.
    """
    spoil(folder)
    said, began = folder / ".said", time.time()
    child = os.fork()
    if not child:
        with open(said, "wb") as file:
            os.dup2(file.fileno(), 1)
            os.dup2(file.fileno(), 2)
        resource.setrlimit(resource.RLIMIT_AS, (MOST_BYTES, MOST_BYTES))
        code = 70
        try:
            code = run(folder)
        except BaseException:
            import traceback

            traceback.print_exc()
        finally:
            sys.stdout.flush()
            os._exit(code)
    status = None
    while status is None and time.time() - began < times * LONGEST_S:
        done, code = os.waitpid(child, os.WNOHANG)
        status = code if done else None
        time.sleep(0.01)
    took = time.time() - began
    if status is None:
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
    raw = said.read_bytes()
    text = raw.decode("utf-8", "backslashreplace")
    for log in folder.glob("results/**/*.log"):
        text += log.read_text("utf-8", "replace")
    return _judged(status, text, times * MOST_LINES), text, took


def _judged(status: int | None, text: str, most_lines: int) -> str:
    if status is None:
        return "HANGS"
    if os.WIFSIGNALED(status):
        return f"DIES ({os.WTERMSIG(status)})"
    if "MemoryError" in text or "enough memory" in text:
        return "MEMORY"
    if "Traceback" in text or "pindrift failed" in text:
        return "TRACEBACK"
    if re.search(r"[\x00-\x08\x0b-\x1f\x7f\x80-\x9f\u202a-\u202e]", text):
        return "RAW"
    lines = text.splitlines()
    if len(lines) > most_lines or max(map(len, lines), default=0) > LONGEST_LINE:
        return "FLOOD"
    code = os.waitstatus_to_exitcode(status)
    return {0: "used", 1: "refused"}.get(code, f"EXIT {code}")


def main(words: list[str]) -> int:
    seed, n_random = (int(words[0]) if words else 1), (int(words[1]) if len(words) > 1 else 30)
    how = (typed, COMMANDS) if "commands" in words else (run, 1)
    n_sampled = next((int(word.partition("=")[2]) for word in words if word.startswith("sample=")), None)
    only = " ".join(word for word in words[2:] if word != "commands" and not word.startswith("sample="))
    chosen = [case for case in cases(seed, n_random) if only in case[0]]
    if n_sampled is not None:
        chosen = random.Random(seed).sample(chosen, min(n_sampled, len(chosen)))
    # Imported before the first child, so that each starts at once.
    from pipeline import __main__, aligned, hits, notes, report, timing, trend, worklist  # noqa: F401
    from pipeline.hits import headers  # noqa: F401

    counts, slow = Counter(), []
    with tempfile.TemporaryDirectory() as where:
        good = Path(where, "good")
        good.mkdir()
        make_workshop(good)
        for name, spoil in chosen:
            folder = Path(where, "case")
            shutil.copytree(good, folder, copy_function=shutil.copy, ignore=shutil.ignore_patterns("fifo*"))
            for pipe in good.glob("fifo*"):
                os.mkfifo(folder / pipe.name)
            what, text, took = outcome(folder, spoil, *how)
            counts[what] += 1
            slow.append((took, name))
            if what not in ("used", "refused"):
                shown = "\n".join(line[:300] for line in text.splitlines()[-3:])
                print(f"{what}: {name} ({took:.1f} s)\n    " + shown.replace("\n", "\n    "), flush=True)
            shutil.rmtree(folder)
    print(dict(counts), sum(counts.values()), "cases")
    print("slowest:", *(f"{took:.1f} s {name}" for took, name in sorted(slow)[-8:]), sep="\n    ")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
