"""Make the demo's recordings and their truth: `python -m demo.make`, or `python -m demo.make --tiny FOLDER`.

Files that exist and were made by this code are kept. Files appear whole or not at all. The same code makes the same
bytes.
"""

import argparse
import hashlib
import json
import os
import shutil
import sys
import threading
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, replace
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.csv
import soundfile

from demo import listen, machine, sound, tune, workshop
from demo.machine import Take
from demo.sound import RATE_HZ, Blows, Microphone
from demo.workshop import ARM, BPM, CLOCK, SEED, Plan, Workshop
from pipeline.settings import Striker

HERE = Path("demo")
CURVE_STEP = 10  # of the true speed curve's steps of 1 ms, every tenth is written
BAR_STEP_S = 4 * 60 / BPM


def main(arguments: list[str] | None = None) -> int:
    """Make what is missing, and print how many recordings were made."""
    parser = argparse.ArgumentParser(prog="python -m demo.make", description=__doc__.splitlines()[0])
    parser.add_argument("--tiny", metavar="FOLDER", help="make a small project for tests into this folder instead")
    chosen = parser.parse_args(arguments)
    if chosen.tiny:
        tiny(Path(chosen.tiny))
    else:
        n_made, n_plans = make(workshop.demo(), HERE)
        print(f"demo: {n_made} of {n_plans} recordings made, in {HERE / 'recordings'}; their truth in {HERE / 'truth'}")
    return 0


def make(shop: Workshop, folder: Path, workers: int = 2) -> tuple[int, int]:
    """Make the tune and the recordings of a workshop with their truth.

    Parameters
    ----------
    shop : Workshop
    folder : Path
        Gets `song.mid`, `recordings/`, `truth/`.
    workers : int
        Processes.

    Returns
    -------
    n_made, n_plans : int
        Recordings that were made, and recordings there are.
    """
    for name in ("recordings", "truth"):
        (folder / name).mkdir(parents=True, exist_ok=True)
        _clear(folder / name)
    _make_song(shop, folder)
    _make_days(shop, folder)
    wanted = [plan for plan in shop.plans if not _up_to_date(shop, plan, folder)]
    if workers > 1 and len(wanted) > 1:
        # The longest first, so that no process is left alone with a long one.
        order = sorted(wanted, key=lambda plan: "full tracks room clock list broken".split().index(plan.kind))
        with ProcessPoolExecutor(min(workers, len(order)), initializer=_end_with_parent) as pool:
            list(pool.map(_make_one, [shop] * len(order), order, [folder] * len(order)))
    else:
        for plan in wanted:
            _make_one(shop, plan, folder)
    return len(wanted), len(shop.plans)


def tiny(folder: Path) -> None:
    """Make a complete small project: configuration, list, tune, recordings; paths start at the folder itself."""
    shop = workshop.tiny()
    make(shop, folder, workers=1)
    _write(folder / "config.yaml", _tiny_config(shop))
    rows = ["recording,file,build_day,rig,setup"]
    rig = {"full": "full", "room": "one mic", "list": "", "broken": "full"}
    for plan in shop.plans:
        rows.append(f"{plan.recording},recordings/{plan.file},{plan.build_day},{rig[plan.kind]},{plan.setup}")
    _write(folder / "recordings.csv", "\n".join(rows) + "\n")


def take_of(shop: Workshop, plan: Plan) -> Take:
    """Simulate a planned recording; times are those of the recorder's clock."""
    notes, played_on = score_of(shop, plan)
    if plan.kind == "clock":
        faults = replace(machine.no_faults(played_on, notes), jitter_s=np.array([0.0006]), level_db=np.array([-8.0]))
        faults = replace(faults, shafts=workshop.faults_of(shop, _song_notes(shop), plan.build_day, plan.setup).shafts)
    else:
        faults = workshop.faults_of(shop, notes, plan.build_day, plan.setup)
    crew = workshop.crew_of(shop, _song_notes(shop), faults if plan.kind != "clock" else None, plan)
    take = machine.simulate(played_on, notes, faults, crew, seed_of(shop, plan))
    return machine.stretched(take, 1 + plan.clock_ppm * 1e-6)


def score_of(shop: Workshop, plan: Plan):
    """Return the notes of the plan, the song or one strike of the arm a bar, and the machine that plays them."""
    played_on = workshop.machine_of(shop, plan.setup)
    if plan.kind != "clock":
        return tune.notes_table(shop.tune, played_on), played_on
    bars = plan.legs[0].last_bar
    grid = tune.made([(4.0 * bar, 0, 100) for bar in range(bars)], BPM, bars)
    played_on = replace(played_on, strikers=(Striker(CLOCK, (0,)),))
    return tune.notes_table(grid, played_on), played_on


def seed_of(shop: Workshop, plan: Plan) -> int:
    """Return the seed of one recording."""
    return SEED * 1000 + [one.recording for one in shop.plans].index(plan.recording)


def _clear(folder):
    """Delete the temporary files of killed processes; those of running ones are kept."""
    for left in folder.glob(".*.part"):
        number = left.name.split(".")[-2]
        if not _runs(number):
            shutil.rmtree(left) if left.is_dir() else left.unlink()


def _runs(number):
    try:
        os.kill(int(number), 0)
    except (ValueError, OSError):
        return False
    return int(number) != os.getpid()


def _end_with_parent():
    """Make this process end soon after its parent is killed."""
    parent = os.getppid()

    def watch():
        while os.getppid() == parent:
            time.sleep(0.5)
        os._exit(1)

    threading.Thread(target=watch, daemon=True).start()


def _make_one(shop: Workshop, plan: Plan, folder: Path) -> None:
    path = folder / "recordings" / plan.file
    if plan.kind == "broken":
        # A recorder that lost its power: the header promises what never came.
        _write(path, b"RIFF\x24\x40\x9c\x01WAVEfmt \x10\x00\x00\x00\x01\x00")
        _stamp(shop, plan, folder)
        return
    take = take_of(shop, plan)
    if plan.kind == "list":
        _write(path, _listed(take, plan, seed_of(shop, plan)))
    else:
        _record(shop, plan, take, path)
    _write_truth(take, folder / "truth" / plan.recording)
    _stamp(shop, plan, folder)


def _record(shop, plan, take, path):
    seed = seed_of(shop, plan)
    if plan.kind == "clock":
        bodies = (sound.material_body(CLOCK, "metal"),)
        names = [CLOCK]
        silent = np.full(1, -np.inf)
        arm = Microphone(np.zeros(1), np.zeros(1), np.full(1, np.inf), rumble_db=-60.0)
        microphones = (arm, _cable(silent, take))
    else:
        bodies = workshop.bodies()
        names = [striker.name for striker in workshop.machine_of(shop, plan.setup).strikers] + [ARM]
        microphones = _microphones(plan, take, len(bodies))
    blows = _blows(take, names, ARM in names)
    blocks = sound.render(bodies, blows, microphones, take.length_s, seed)
    if plan.kind == "tracks":
        _write_tracks(path, blocks, names, plan.subtype)
    else:
        _write_audio(path, blocks, len(microphones), plan.subtype)


def _microphones(plan, take, n):
    if plan.kind == "room":
        room = sound.room_microphone(n, SEED)
        # The arm that marks the turn is not heard across the room.
        room.gain_db[-1] = -np.inf
        return (room,)
    own = list(sound.own_microphones(n, SEED))
    drum = 3
    own[drum] = replace(own[drum], drive_db=plan.drive_db)
    own[1] = replace(own[1], hum_db=-58.0)
    own[4] = replace(own[4], rumble_db=-56.0)
    if plan.bang_s is not None:
        own[2] = replace(own[2], bang_s=plan.bang_s)
    return (*own, _cable(np.full(n, -np.inf), take))


def _cable(silent, take):
    n = len(silent)
    return Microphone(
        silent, np.zeros(n), np.full(n, np.inf), noise_db=-92.0, hum_db=-110.0, rumble_db=-120.0, tone_s=take.click_s
    )


def _blows(take, names, marked):
    played = ~take.strikes.missed
    index_s = take.index_s[take.index_s > 0.05] if marked else np.zeros(0)
    time_s = np.concatenate([take.strikes.strike_s[played], take.extras.strike_s, index_s])
    who = [*take.strikes.striker[played], *take.extras.striker, *[ARM] * len(index_s)]
    level_db = np.concatenate([take.strikes.level_db[played], take.extras.level_db, np.full(len(index_s), -10.0)])
    order = np.argsort(time_s, kind="stable")
    body = np.array([names.index(name) for name in who], dtype=int)
    return Blows(time_s[order], body[order], level_db[order])


def _listed(take, plan, seed):
    """Return the hits as a trigger unit lists them: time in s with six decimals, name, level in dB."""
    names = tuple(dict.fromkeys(take.strikes.striker))
    hits = listen.hits_table(take, names, seed, ear=listen.Ear(place_s=0.0003, missed=0.002, rebounds_called=0.0))
    lines = ["hit_s,striker,level_db"]
    for row in hits.select(["hit_s", "striker", "kind", "level_db"]).to_pylist():
        lines.append(f"{row['hit_s']:.6f},{row['striker'] or row['kind']},{row['level_db']:.1f}")
    return "\n".join(lines) + "\n"


def _write_audio(path, blocks, n_channels, subtype):
    temporary = path.with_name(f".{path.name}.{os.getpid()}.part")
    form = path.suffix[1:].upper()
    with soundfile.SoundFile(temporary, "w", RATE_HZ, n_channels, subtype, format=form) as file:
        for block in blocks:
            file.write(block)
    os.replace(temporary, path)


def _write_tracks(path, blocks, names, subtype):
    """Write a folder with one file per track, numbered as recording programs do."""
    temporary = path.with_name(f".{path.name}.{os.getpid()}.part")
    shutil.rmtree(temporary, ignore_errors=True)
    temporary.mkdir()
    titles = [f"Track {i + 1} {name}.wav" for i, name in enumerate([*names, "click"])]
    files = [soundfile.SoundFile(temporary / title, "w", RATE_HZ, 1, subtype, format="WAV") for title in titles]
    for block in blocks:
        for channel, file in enumerate(files):
            file.write(block[:, channel])
    for file in files:
        file.close()
    if path.exists():
        shutil.rmtree(path)
    os.replace(temporary, path)


def _write_truth(take: Take, folder: Path) -> None:
    """Write what truly happened: strikes, extra strikes, marks, speed and tempo, shafts."""
    folder.mkdir(parents=True, exist_ok=True)
    curve = pa.table({name: column[::CURVE_STEP] for name, column in _columns(take.curve).items()})
    marks = pa.table(
        {
            "kind": ["index"] * len(take.index_s) + ["click"] * len(take.click_s),
            "time_s": np.concatenate([take.index_s, take.click_s]),
        }
    )
    for name, table in (
        ("strikes", pa.table(_columns(take.strikes))),
        ("extras", pa.table(_columns(take.extras))),
        ("marks", marks),
        ("curve", curve),
        ("tempo", take.tempo),
        ("shafts", take.shafts),
    ):
        _write_csv(folder / f"{name}.csv", table)


def _make_song(shop, folder):
    temporary = folder / f".song.mid.{os.getpid()}.part"
    tune.write_midi(shop.tune, temporary)
    if not (folder / "song.mid").exists() or (folder / "song.mid").read_bytes() != temporary.read_bytes():
        os.replace(temporary, folder / "song.mid")
    else:
        temporary.unlink()


def _make_days(shop, folder):
    """Write the truth of each day: strikers and pins."""
    for day in shop.days:
        setup = next(plan.setup for plan in shop.plans if plan.build_day == day)
        notes = _song_notes(shop)
        built = workshop.machine_of(shop, setup)
        faults = workshop.faults_of(shop, notes, day, setup)
        per_striker = {
            name: value for name, value in asdict(faults).items() if np.shape(value) == (len(built.strikers),)
        }
        strikers = pa.table(
            {"striker": [s.name for s in built.strikers], **per_striker}
            | {"drag": machine.drag_of(faults.energy_j, built, notes)}
        )
        wrong = {(bar, beat, name) for bar, beat, name, _ in workshop.MISPLACED}
        if day == workshop.DAYS[2]:
            wrong = {(bar, beat, name) for bar, beat, name, _ in workshop.MISPLACED[-workshop.N_LEFT :]}
        keys = zip(*(notes[name].to_pylist() for name in ("bar", "beat_in_bar", "striker")), strict=True)
        pins = notes.select(["pin_id", "note_id", "striker", "bar", "beat_in_bar"])
        pins = pins.append_column("offset_s", pa.array(faults.pin_s[notes["pin_id"].to_numpy()]))
        pins = pins.append_column("misplaced", pa.array([key in wrong for key in keys]))
        _write_csv(folder / "truth" / f"strikers-{day}.csv", strikers)
        _write_csv(folder / "truth" / f"pins-{day}.csv", pins)


def _song_notes(shop):
    return tune.notes_table(shop.tune, workshop.machine_of(shop, ""))


def _columns(rows):
    # Object arrays of text become lists: arrow takes both, and the same way each time.
    return {
        name: column.tolist() if (column := getattr(rows, name)).dtype == object else column
        for name in rows.__dataclass_fields__
    }


def _up_to_date(shop, plan, folder):
    stamp = folder / "truth" / f"{plan.recording}.json"
    path = folder / "recordings" / plan.file
    return path.exists() and stamp.exists() and stamp.read_text() == _mark(shop, plan, path)


def _stamp(shop, plan, folder):
    """Write, after everything else, by which code a recording was made: then it is whole."""
    text = _mark(shop, plan, folder / "recordings" / plan.file)
    _write(folder / "truth" / f"{plan.recording}.json", text)


def _mark(shop, plan, path):
    files = sorted(path.iterdir()) if path.is_dir() else [path]
    code = hashlib.sha256()
    for source in sorted(Path(__file__).parent.glob("*.py")):
        if source.name != "compare.py":
            code.update(source.read_bytes())
    said = {"plan": repr(plan), "of": len(shop.tune.beat), "code": code.hexdigest(), "numpy": np.__version__}
    return json.dumps(said | {"bytes": [file.stat().st_size for file in files]}, sort_keys=True) + "\n"


def _write_csv(path, table):
    sink = pa.BufferOutputStream()
    pyarrow.csv.write_csv(table, sink)
    _write(path, sink.getvalue().to_pybytes())


def _write(path, content):
    """Write text or bytes whole or not at all; leave alone what is the same already."""
    content = content.encode() if isinstance(content, str) else content
    path.parent.mkdir(parents=True, exist_ok=True)
    if path.exists() and path.read_bytes() == content:
        return
    temporary = path.with_name(f".{path.name}.{os.getpid()}.part")
    temporary.write_bytes(content)
    os.replace(temporary, path)


def _tiny_config(shop):
    built = workshop.machine_of(shop, "")
    strikers = "\n".join(f"    - {{name: {s.name}, notes: [{s.notes[0]}]}}" for s in built.strikers)
    channels = [f"{{channel: {i + 1}, hears: {s.name}}}" for i, s in enumerate(built.strikers)]
    n = len(channels)
    channels += [f"{{channel: {n + 1}, hears: index}}", f"{{channel: {n + 2}, hears: click, bpm: {BPM:g}}}"]
    return f"""\
arrangements:
  song: song.mid
recordings: recordings.csv
results: results
machine:
  barrel: {{bars_per_turn: {built.barrel.bars_per_turn:g}, diameter_mm: {built.barrel.diameter_mm:g}, pins: song}}
  shafts:
    flywheel: {{turns: {built.shafts[0].turns:g}, drive: belt}}
    crank: {{turns: {built.shafts[1].turns:g}, drive: freewheel}}
  flywheel: {{inertia_kg_m2: {built.flywheel.inertia_kg_m2:g}, diameter_mm: {built.flywheel.diameter_mm:g}}}
  strikers:
{strikers}
setups:
  {workshop.WIDE}: {{shafts: {{flywheel: {workshop.machine_of(shop, workshop.WIDE).shafts[0].turns:g}}}}}
rigs:
  full: [{", ".join(channels)}]
  one mic: [{{channel: 1, hears: everything}}]
"""


if __name__ == "__main__":
    sys.exit(main())
