"""Show that rearranged code gives the same numbers.

    python -m tests.benchmarks.same_numbers make FOLDER   # with the code before, and with the code after, each its own
    python -m tests.benchmarks.same_numbers compare FOLDER OTHER

`make` runs the stages' entries over scenes: hits of real single sounds (own, noisy, mixed, leaking microphones) and of
simulated takes, alignment with names and without, groups with every part of the timing model. `compare` reads every
Parquet file below two folders (two folders of results of the demo serve as well) and prints the largest difference of
each column that differs.
"""

import json
import os
import sys
from dataclasses import replace
from pathlib import Path

# How many threads add up a sum decides its last digits.
os.environ["OMP_NUM_THREADS"] = os.environ["OPENBLAS_NUM_THREADS"] = "1"

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

HITS = {  # of `hits_scenes.scene`
    "own-10-db": {"mixed": False, "per_s": 2, "snr_db": 10},
    "mixed-12": {"mixed": True, "per_s": 12, "snr_db": 20, "least_gap_s": 0.03},
    "leaking": {"mixed": False, "per_s": 1.5, "leak_db": (-18, -8), "chords": 0.5},
    "rebounds": {"mixed": False, "per_s": 1.5, "rebounds": 0.5, "least_gap_s": 0.15},
}
TAKES = ("plain", "room dense", "click changes")  # of `hits_takes`, their faults of health with them
ALIGNED = {"named": {}, "unnamed": {"named": False}, "hard": {"hard": True}, "mixed": {"named": False, "sounds": True}}


def make(folder: Path) -> None:
    """Write the tables of all scenes."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, (table, said) in {**_hits(folder), **_aligned()}.items():
        pq.write_table(table, folder / f"{name}.parquet")
        (folder / f"{name}.json").write_text(json.dumps(said, sort_keys=True, default=str, indent=1), encoding="utf-8")
    for group, made in _timing().items():
        for name, table in made.items():
            pq.write_table(table, folder / f"timing-{group}-{name}.parquet")


def _hits(folder: Path) -> dict:
    import soundfile

    from pipeline import hits
    from pipeline.settings import Barrel, Channel, Detection, Machine, Rig, Striker
    from tests.benchmarks import hits_scenes, hits_takes

    def found(name, samples, rate_hz, hears):
        path = folder / "take.wav"
        soundfile.write(path, samples, rate_hz, subtype="FLOAT")
        named = [what for what in hears if what not in ("everything", "index", "click")]
        machine = Machine(Barrel(), (), None, tuple(Striker(one, (k,)) for k, one in enumerate(named)))
        rig = Rig("rig", tuple(Channel(k, (what,)) for k, what in enumerate(hears, 1)))
        table, said = hits.find(_recording(str(path)), rig, machine, Detection())
        path.unlink()
        return {f"hits-{name}": (table, said)}

    made, names = {}, hits_scenes.TEST_SOUNDS[4:12]
    for number, (name, kind) in enumerate(HITS.items()):
        scene = hits_scenes.scene(7000 + number, names, duration_s=20.0, **kind)
        made |= found(name, scene.samples, scene.rate_hz, ("everything",) if kind["mixed"] else names)
    for number, kind in enumerate(TAKES):
        take = hits_takes.make_take(7100 + number, (kind,))
        made |= found(kind.replace(" ", "-"), take.samples, take.rate_hz, take.hears)
    return made


def _aligned() -> dict:
    from tests import aligned_takes

    made = {}
    for number, (name, kind) in enumerate(ALIGNED.items()):
        made[f"aligned-{name}"] = aligned_takes.align_simulated(aligned_takes.simulate(7200 + number, **kind))
    rounds = aligned_takes.simulate(7210, crew=aligned_takes.three_rounds, bars=16)
    made["aligned-rounds"] = aligned_takes.align_simulated(rounds)
    return made


def _timing() -> dict:
    from pipeline import timing
    from tests import timing_machine

    made = {}
    for name, n_takes, odd in (("plain", 3, {}), ("odd", 4, {"company_s": (0, 0.005), "readiness_s": (1, 0.006)})):
        chance = np.random.default_rng([7300, n_takes])
        notes = timing_machine.make_notes(chance, bars=60, density=(0.7, 1.6))
        truth = timing_machine.make_truth(chance, notes)
        for part, (striker, value_s) in odd.items():
            getattr(truth, part)[striker] = value_s
        takes = timing_machine.make_takes(chance, notes, truth, n_takes)
        made[name] = timing.tables_of(timing_machine.make_group(takes), timing_machine.make_machine(), notes, takes)
    return made


def _recording(path: str):
    from tests.aligned_takes import RECORDING

    return replace(RECORDING, recording="take", file=path, rig="rig")


def compare(folder: Path, other: Path) -> bool:
    """Print what differs; return whether nothing does."""
    files = {where: {path.relative_to(where) for path in where.rglob("*.parquet")} for where in (folder, other)}
    same = True
    for lone in sorted(files[folder] ^ files[other]):
        same = False
        print(f"{lone}: in one folder only")
    for file in sorted(files[folder] & files[other]):
        # Not `read_table`: it would take `build_day=` of the path for a column.
        for said in differences(pq.ParquetFile(folder / file).read(), pq.ParquetFile(other / file).read()):
            same = False
            print(f"{file}: {said}")
    for file in sorted(path.relative_to(folder) for path in folder.rglob("*.json")):
        if not (other / file).exists() or (folder / file).read_bytes() != (other / file).read_bytes():
            same = False
            print(f"{file}: what is said differs")
    print(f"{len(files[folder] & files[other])} tables compared: {'the same' if same else 'not the same'}")
    return same


def differences(one: pa.Table, two: pa.Table) -> list[str]:
    """Return a line for each column that differs between two tables."""
    if len(one) != len(two):
        return [f"{len(one)} rows, {len(two)} rows"]
    said = [f"column {name} in one only" for name in sorted(set(one.column_names) ^ set(two.column_names))]
    for name in one.column_names:
        if name not in two.column_names or one[name].equals(two[name]):
            continue
        if not pa.types.is_floating(one.schema.field(name).type):
            # As texts, for NaN does not equal itself.
            n = sum(str(a) != str(b) for a, b in zip(one[name].to_pylist(), two[name].to_pylist(), strict=True))
            said += [f"{name}: {n} of {len(one)} rows differ"] if n else []
            continue
        values = [table[name].to_numpy().astype(float) for table in (one, two)]
        nulls = int((np.isnan(values[0]) != np.isnan(values[1])).sum())
        largest = np.nanmax(np.abs(values[0] - values[1]), initial=0.0)
        if largest or nulls:
            said.append(f"{name}: by {largest:.3g} at most" + (f", {nulls} nulls differ" if nulls else ""))
    return said


if __name__ == "__main__":
    if sys.argv[1:2] == ["make"] and len(sys.argv) == 3:
        make(Path(sys.argv[2]))
    elif sys.argv[1:2] == ["compare"] and len(sys.argv) == 4:
        sys.exit(0 if compare(Path(sys.argv[2]), Path(sys.argv[3])) else 1)
    else:
        sys.exit(__doc__)
