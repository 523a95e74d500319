"""Print what changes when a number of the alignment is half or double: what its value rests on, or that it is free.

    OMP_NUM_THREADS=1 python -m tests.benchmarks.aligned_constants [first_seed] [n_seeds] [NAME ...]

Names are fields of the tracker (`search/tracker.py`) and constants of modules that are not compiled. For each: the mean
F of matches against the simulated truth over all takes (named, nameless, hard, three rounds, a false start) with it
half, as it is, and double, and the rows of the tables that change.
"""

import importlib
import sys
from functools import partial

import numpy as np

from pipeline.aligned import expectation
from pipeline.aligned.search.tracker import Tracker
from tests import aligned_takes as takes

KINDS = (
    {},
    {"named": False},
    {"hard": True},
    {"crew": takes.three_rounds, "bars": 16},
    {"crew": takes.a_false_start, "named": False},
)
GIVEN = ("jitter_s", "wander", "tempo", "tempo_sd", "rate_hz", "p_miss", "turnaround_s", "from_top", "backwards")
CONSTANTS = {
    "rounds": "ROUND_EVIDENCE OTHER_TEMPO_SD OFF_CLICK",
    "expectation": "P_MISS CLOCKED_TEMPO_SD LEAST_TURNAROUND_S",
    "confidence": "BACK_BEAM DECIDED ALONE NEAR_SCALE",
    "refine": "ROUNDS DELAY_HITS NO_SPREAD_S SMALLEST_SPREAD_S REST_SCALE MOST_LEVER MARGIN FURTHEST SEARCH_SCALE "
    "RESCUE_S RESCUE_SCALES",
    "segments": "NEIGHBOURS LEAST_STALL_S STALL_SCALES LEAST_SCATTER_S SCATTER_SHARE STOOD_TIMES",
    "search.evidence": "WRONG_NAME REBOUND_WINDOW_S REBOUND_RATE_HZ STRAY_SHARE",
    "search.onsets": "TOGETHER_S",
}


def measure(cases) -> tuple[float, list]:
    """Return the mean F and the rows of all tables, as text."""
    f, rows = [], []
    for case, named in cases:
        table, _ = takes.align_simulated(case)
        f.append(takes.compare(table, case, named).f)
        columns = (table[name].to_pylist() for name in ("playthrough", "note_id", "status", "hit_id", "segment"))
        rows.append(set(zip(*columns, strict=True)))
    return float(np.mean(f)), rows


def main() -> None:
    numbers = [int(word) for word in sys.argv[1:] if word.isdigit()]
    wanted = [word for word in sys.argv[1:] if not word.isdigit()]
    first, n_seeds = (*numbers, *(9100, 4)[len(numbers) :])
    seeds = range(first, first + n_seeds)
    cases = [(takes.simulate(seed, **kind), kind.get("named", True)) for seed in seeds for kind in KINDS]
    plain, plain_rows = measure(cases)
    fields = [(expectation, name) for name in Tracker._fields if name not in GIVEN]
    modules = {name: importlib.import_module(f"pipeline.aligned.{name}") for name in CONSTANTS}
    fields += [(modules[module], name) for module, names in CONSTANTS.items() for name in names.split()]
    for module, name in fields:
        if wanted and name not in wanted:
            continue
        said = []
        for factor in (0.5, 2.0):
            f, rows = _changed(module, name, factor, cases)
            n_changed = sum(len(one - two) for one, two in zip(rows, plain_rows, strict=True))
            said.append(f"{'half' if factor < 1 else 'double'}: F {f:.4f}, {n_changed} rows")
        print(f"{name} (F {plain:.4f} of {sum(map(len, plain_rows))} rows): {'; '.join(said)}", flush=True)


def _changed(module, name, factor, cases):
    """Measure with one number changed."""
    target = "Tracker" if name in Tracker._fields else name
    kept = getattr(module, target)
    value = Tracker._field_defaults[name] if name in Tracker._fields else kept
    value = type(value)(value * factor)
    setattr(module, target, partial(Tracker, **{name: value}) if name in Tracker._fields else value)
    try:
        return measure(cases)
    finally:
        setattr(module, target, kept)


if __name__ == "__main__":
    main()
