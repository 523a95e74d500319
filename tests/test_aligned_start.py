"""What a job of `aligned` imports: start-up is paid once a recording."""

import os
import subprocess
import sys
from datetime import date
from pathlib import Path

import numpy as np
import pytest
import soundfile

from pipeline import tables
from tests.aligned_takes import make_hits, make_notes, make_song, without

ROOT = Path(__file__).parents[1]
CONFIG = """
arrangements: {clock: {bpm: 120, beats_per_bar: 4, bars: 8, strikes_per_bar: 1, striker: striker 0, bars_per_turn: 1}}
recordings: recordings.csv
results: results
machine:
  barrel: {bars_per_turn: 8}
  strikers:
    - {name: striker 0, notes: [60]}
    - {name: striker 1, notes: [61]}
    - {name: striker 2, notes: [62]}
    - {name: striker 3, notes: [63]}
rigs:
  full: [CHANNELS, {channel: 5, hears: index}, {channel: 6, hears: click}]
  one mic: [{channel: 1, hears: everything}]
""".replace("CHANNELS", ", ".join(f"{{channel: {k + 1}, hears: striker {k}}}" for k in range(4)))
JOB = (
    "import sys\n"
    "from pipeline.__main__ import main\n"
    "code = main(['aligned', 'my.yaml', sys.argv[1]])\n"
    "slow = [one for one in ('pandas', 'scipy.signal', 'scipy.stats') if one in sys.modules]\n"
    "hidden = [name for name, module in sys.modules.items() if module is None]\n"
    "print(code, slow, hidden, 'scipy.fft' in sys.modules, file=sys.stderr)\n"
)


def make_project(folder):
    """Write a configuration, notes and the hits of two takes: named with marks, a click and a dead channel; nameless.

    The song's table stands where the job looks for the clock's, so no file of a song is needed.
    """
    (folder / "my.yaml").write_text(CONFIG, encoding="utf-8")
    rows = ["recording,file,build_day,rig", "full-1,a.wav,2031-05-03,full", "room-1,b.wav,2031-05-03,one mic"]
    (folder / "recordings.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    score_s, striker = make_song(3, 80, 4)
    tables.write(tables.path(folder / "results", "notes", arrangement="clock"), "notes", make_notes(score_s, striker))
    heard = [k for k, name in enumerate(striker) if name != "striker 3"]
    mark_s, click_s = np.arange(0.5, score_s[-1] + 3, 2.0), np.arange(0.2, score_s[-1] + 3, 0.5)
    hit_s = np.concatenate((1 + score_s[heard], mark_s, click_s))
    names = [*(striker[k] for k in heard), *[None] * (len(mark_s) + len(click_s))]
    kinds = ["strike"] * len(heard) + ["index"] * len(mark_s) + ["click"] * len(click_s)
    order = np.argsort(hit_s, kind="stable")
    channel = [1 + int(name[-1]) if name else 5 + (kind == "click") for name, kind in zip(names, kinds, strict=True)]
    hits = make_hits(hit_s[order], [names[k] for k in order], [kinds[k] for k in order], np.array(channel)[order])
    said = {"refused": "", "health": []}
    tables.write(tables.path(folder / "results", "hits", recording="full-1"), "hits", hits, said=said)
    room = make_hits(1 + np.unique(score_s) * 1.1)
    bands = np.random.default_rng(1).normal(-40, 5, (len(room), tables.N_BANDS)).astype(np.float32)
    room = without(room, bands_db=bands)
    tables.write(tables.path(folder / "results", "hits", recording="room-1"), "hits", room, said=said)
    noise = np.random.default_rng(2).normal(0, 0.001, 8000 * (round(room["hit_s"][-1].as_py()) + 1))
    soundfile.write(folder / "b.wav", noise, 8000)


@pytest.mark.parametrize(("recording", "has_chords"), [("full-1", False), ("room-1", True)])
def test_a_job_imports_nothing_slow_and_hides_no_module(tmp_path, recording, has_chords):
    make_project(tmp_path)
    environment = os.environ | {"PYTHONPATH": str(ROOT)}
    done = subprocess.run(
        [sys.executable, "-c", JOB, recording],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=False,
        env=environment,
    )
    assert done.stderr.split("\n")[-2] == f"0 [] [] {has_chords}", done.stderr
    assert "played" in done.stdout
    path = tables.path(tmp_path / "results", "aligned", build_day=date(2031, 5, 3), recording=recording)
    assert len(tables.read(path, "aligned")) >= 80


def test_no_module_of_the_stage_touches_the_list_of_modules():
    for path in (ROOT / "pipeline").rglob("*.py"):
        assert "sys.modules" not in path.read_text(encoding="utf-8"), path
