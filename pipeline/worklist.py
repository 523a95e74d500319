"""List what to mend next: missing and doubled strikes first, then what wins most of the lateness that is felt.

Only the newest group of each arrangement is looked at: what was mended since is not on the list. A job is there only
when it is sure (`CERTAIN`), can be done (`finest_move_mm`) and is felt; three sure jobs are worth more than ten
guesses. Its gain is counted on the strikes themselves: the job's part is taken out of `felt_s` and the spread measured
again.
"""

import numpy as np
import pandas as pd
import pyarrow as pa
from scipy import stats

from pipeline import tables
from pipeline.settings import Group, Settings

CERTAIN = 0.95
NOTICED_S = 0.006  # one displaced tone in an even row, short intervals (Friberg & Sundberg 1995)
WORTH_S = 0.0001  # of felt spread; less is not worth a stop of the machine
WORTH_RATE = 0.01  # of a striker's strikes missed or doubled; fewer are left to chance
_KEYS = ["arrangement", "build_day", "session", "setup"]


def jobs(settings: Settings, lateness: dict[str, pa.Table], **given: pa.Table) -> pa.Table:
    """Return the jobs of the newest groups.

    Parameters
    ----------
    settings : Settings
    lateness : dict of group id to table of the contract 'lateness'
    **given : tables of the contracts strikers, pins and budget

    Returns
    -------
    table of the contract 'worklist', best first
    """
    frames = {name: table.to_pandas() for name, table in given.items()}
    rows = []
    for group in newest(settings, lateness):
        felt = lateness[group.id].to_pandas()
        felt = felt[felt["felt_s"].notna()]
        of = {name: _of_group(frame, group) for name, frame in frames.items()}
        found = [
            *_strike_jobs(of["strikers"], of["pins"]),
            *_pin_jobs(of["pins"], felt, settings.machine_of(group.setup)),
            *_delay_jobs(of["strikers"], felt, settings.machine_of(group.setup), group, given),
            *_load_jobs(of["budget"], felt),
        ]
        rows += [_keys(group) | row for row in found]
    names = tables.CONTRACTS["worklist"].schema.names
    made = pd.DataFrame(rows, columns=names)
    made = made.sort_values(["gain_missed", "gain_s"], ascending=False, kind="stable")
    made["rank"] = np.arange(1, len(made) + 1)
    made["correction_mm"] = [None if value != value else value for value in made["correction_mm"].astype(float)]
    return tables.build("worklist", {name: list(made[name]) for name in names})


def newest(settings: Settings, lateness: dict[str, pa.Table]) -> list[Group]:
    """Return the last group of each arrangement in which anything was played."""
    last = {}
    for group in settings.groups():
        if len(lateness[group.id]):
            last[group.arrangement] = max(group, last.get(group.arrangement, group), key=_when)
    return list(last.values())


def _when(group: Group):
    return (group.build_day, group.session, group.setup)


def _keys(group: Group) -> dict:
    return {key: getattr(group, key) for key in _KEYS}


def _of_group(frame: pd.DataFrame, group: Group) -> pd.DataFrame:
    return frame[np.logical_and.reduce([frame[key] == value for key, value in _keys(group).items()])]


def _row(part: str, where: str, finding: str, correction: str, **more) -> dict:
    row = {"part": part, "where": where, "finding": finding, "correction": correction, "correction_mm": np.nan}
    return row | {"gain_s": 0.0, "gain_missed": 0.0, "gain_audible": 0.0, "certainty": CERTAIN} | more


def _strike_jobs(strikers: pd.DataFrame, pins: pd.DataFrame) -> list[dict]:
    """Missed strikes whose pattern names a cause, and double strikes of one striker."""
    cures = {
        "one pin": "look at the pin: bent, worn or loose",
        "short gaps": "make it ready sooner: a stronger return, or a shorter way",
        "company": "it misses when others fire with it: more inertia at the barrel, or a lighter load per strike",
        "low speed": "it misses when the machine is slow: more inertia at the barrel, or a lighter release",
        "at random": "look at the lever's bearing and its engagement with the pins",
    }
    takes = max(1, int(pins["n_takes"].max()) if len(pins) else 1)
    rows = []
    for one in strikers.itertuples():
        total = one.n_played + one.n_missed
        if one.miss_pattern:
            finding = f"{one.n_missed} of {total} strikes missed ({one.miss_pattern})"
            more = {"gain_missed": one.n_missed / takes, "certainty": _certainty_of_rate(one.n_missed, total)}
            rows.append(_row("striker", one.striker, finding, cures[one.miss_pattern], **more))
        finding = f"{one.n_extra} double or stray strikes beside {one.n_played} played"
        cure = "damp the rebound: a softer stop, or a catch"
        more = {"gain_missed": one.n_extra / takes, "certainty": _certainty_of_rate(one.n_extra, total)}
        rows.append(_row("striker", one.striker, finding, cure, **more))
    return [row for row in rows if row["certainty"] >= CERTAIN]


def _certainty_of_rate(n: int, total: int) -> float:
    """Return how sure it is that more than `WORTH_RATE` of all strikes do so (Jeffreys' interval for a proportion)."""
    return float(stats.beta.sf(WORTH_RATE, n + 0.5, max(total - n, 0) + 0.5))


def _pin_jobs(pins: pd.DataFrame, felt: pd.DataFrame, machine) -> list[dict]:
    rows = []
    for pin in pins[pins["misplaced"]].itertuples():
        too_fine = pin.offset_mm is not None and abs(pin.offset_mm) < machine.finest_move_mm
        gain_s, gain_audible = _gain(felt, felt["pin_id"] == pin.pin_id, pin.offset_s)
        if too_fine or 1 - pin.q_value < CERTAIN:
            continue
        late = "late" if pin.offset_s > 0 else "early"
        finding = f"pin is {abs(pin.offset_s) * 1e3:.1f} ms {late} (±{1.96 * pin.offset_se * 1e3:.1f})"
        place = f"{pin.striker}, bar {pin.bar} beat {pin.beat_in_bar:g}"
        more = {"gain_s": gain_s, "gain_audible": gain_audible, "certainty": 1 - pin.q_value}
        rows.append(_row("pin", place, finding, _move("it", pin.offset_mm, pin.offset_s), **more) | _mm(pin.offset_mm))
    return rows


def _delay_jobs(strikers: pd.DataFrame, felt: pd.DataFrame, machine, group: Group, given) -> list[dict]:
    """A whole row late is one job; at one tempo its delay and its place cannot be told apart.

    The delays are against the mean of all, which a late striker moves too; what is to be mended is the distance from
    the middle one (of two, the later one is late).
    """
    rows = []
    strikers = strikers.assign(delay_s=strikers["delay_s"] - strikers["delay_s"].quantile(0.5, interpolation="lower"))
    surface_mm_per_s = _surface_mm_per_s(given, group)
    # A striker that is alone has nothing to be late against: its delay is 0 ± 0.
    for one in strikers[strikers["delay_se"] > 0].itertuples():
        # All strikers are looked at: so many chances to be wrong (Bonferroni).
        certainty = 1 - min(1.0, len(strikers) * 2 * stats.norm.sf(abs(one.delay_s) / one.delay_se))
        gain_s, gain_audible = _gain(felt, felt["striker"] == one.striker, one.delay_s)
        shift_mm = one.delay_s * surface_mm_per_s
        if certainty < CERTAIN or gain_s < WORTH_S:
            continue
        late = "later" if one.delay_s > 0 else "earlier"
        finding = f"strikes {abs(one.delay_s) * 1e3:.1f} ms {late} than the others (±{1.96 * one.delay_se * 1e3:.1f})"
        correction = _move("its lever", shift_mm, one.delay_s) + ", or mend its delay"
        if abs(shift_mm) < machine.finest_move_mm:
            shift_mm, correction = np.nan, f"mend its delay: {abs(shift_mm):.2f} mm at its lever are too fine to move"
        more = {"gain_s": gain_s, "gain_audible": gain_audible, "certainty": certainty}
        rows.append(_row("striker", one.striker, finding, correction, **more) | _mm(shift_mm))
    return rows


def _load_jobs(budget: pd.DataFrame, felt: pd.DataFrame) -> list[dict]:
    part = budget[(budget["ruler"] == "felt") & (budget["part"] == "load")]
    if not len(part) or len(felt) < 2:
        return []
    gain_s, gain_audible = _gain(felt, np.ones(len(felt), bool), felt["felt_load_s"] / 2)
    share = part["share"].iloc[0]
    if gain_s < WORTH_S:
        return []
    finding = f"load makes {share:.0%} of the felt lateness"
    correction = (
        "twice the inertia at the barrel halves it; stored energy doubles too: guards, brake, shaft and fixings must "
        "be reconsidered by someone competent"
    )
    return [_row("load", "flywheel", finding, correction, gain_s=gain_s, gain_audible=gain_audible)]


def _gain(felt: pd.DataFrame, rows, offset_s) -> tuple[float, float]:
    """Return how much felt spread, and how many noticed strikes per playthrough, go when `offset_s` is taken out."""
    before = felt["felt_s"].to_numpy()
    if len(before) < 2:
        return 0.0, 0.0
    after = np.where(rows, before - offset_s, before)
    n_playthroughs = max(1, len(felt[["recording", "playthrough"]].drop_duplicates()))
    audible = (abs(before) > NOTICED_S).sum() - (abs(after) > NOTICED_S).sum()
    return float(before.std(ddof=1) - after.std(ddof=1)), float(audible / n_playthroughs)


def _surface_mm_per_s(given, group: Group) -> float:
    """Return how fast the pins pass, from the pins' own offsets in both units (inf: no diameter was told)."""
    pins = _of_group(given["pins"].to_pandas(), group)
    pins = pins[pins["offset_mm"].notna() & (pins["offset_s"] != 0)]
    return float((pins["offset_mm"] / pins["offset_s"]).median()) if len(pins) else np.inf


def _move(what: str, offset_mm, offset_s: float) -> str:
    forward = "forward" if offset_s > 0 else "backward"
    if offset_mm is None or not np.isfinite(offset_mm):
        return f"move {what} {forward} by {abs(offset_s) * 1e3:.1f} ms (tell the barrel's diameter to have it in mm)"
    return f"move {what} {abs(offset_mm):.1f} mm {forward} (forward: in the direction of rotation)"


def _mm(offset_mm) -> dict:
    known = offset_mm is not None and np.isfinite(offset_mm)
    return {"correction_mm": float(offset_mm) if known else np.nan}
