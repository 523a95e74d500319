"""Print what changes when a constant of the timing fit is half or double: what its value rests on, or that it is free.

    python -m tests.benchmarks.timing_constants [first_seed] [n_seeds] [NAME ...]

For each constant and factor: how far the estimates move (root mean square over their own standard errors, and the
largest), how much larger their standard errors become (geometric mean, and the largest change), the root mean square
errors against the truth over those with the constant as it is (pins, delays, drags, tempo), how many of the intervals
± 1.96 standard errors hold (and with the constant as it is), and the flags of pins: misplaced ones found, others
flagged by mistake. Groups of one seed: a song of three takes of five strikers with heavy tails, one striker delayed by
company and one by short gaps; a single take; a clock test. What matters only where hits are many is tried on a song of
nine takes (5700 hits).
"""

import importlib
import sys
from dataclasses import dataclass

import numpy as np

from pipeline import timing
from pipeline.timing.model.normal_equations import Scales
from tests import timing_machine
from tests.benchmarks import timing_small

CONSTANTS = {
    "fitting.priors": "FLAT_PRECISION DRAG_SD START_SD RECOVERY_BEATS RECOVERY_LOG_SD READY_S READY_LOG_SD EFFECT_SD_S",
    "fitting.prepare": "SCALE_HITS SCALE_TRACKS SCALE_KNOTS FEWEST_REPEATS LEAST_PACE EVEN_ROW COMPANY_SPREAD "
    "FADE_SPREAD EFFECT_PINS",
    "fitting.lateness_parts": "PACE_BEAT PACE_RANGE",
    "fitting.company": "MEAN_DRAG_Z SURE_EFFECT_Z",
    "fitting.pin_company": "REACH_S SCATTER_DF MISPLACED_SHARE",
    "fitting.hit_weights": "OUTLYING_Z FREAK_Z SCATTER_DF",
    "fitting.misplaced_pins": "MISPLACED_Q CANDIDATE_Z AGREE_Z AGREE_SHARE NEW_SHARE AROUND_BEAT MOST_WITHDRAWN "
    "LEAST_VARIANCE",
    "fitting.step": "MOST_LOG_CHANGE READY_STEP RECOVERY_RANGE READY_RANGE_S",
    "fitting.fit": "ROUNDS",
    "fitting.uncertainty": "MOST_SOLUTIONS ENOUGH_HITS",
    "fitting.readout": "LARGE_SE_S PLAIN_Z LESS_WEIGHT",
    "model.linear_load": "LOG_STEP",
    "model.load_integral": "STEP_BEAT SLOWEST MEAN_STEPS",
    "model.normal_equations": "START_PRECISION",
    "model.solution": "LEAST_EFFECT_S2 CAUCHY_STEPS",
    "model.variance_components": "USUAL USUAL_LOG_SD RANGE FLAT_PRIOR_PINS CURVATURE_STEP FLATTEST MOST_REACH "
    "REACH_STEPS REACH_FACTOR LEAST_RISE",
}
OF_MANY_HITS = ("SCALE_HITS", "SCALE_TRACKS", "SCALE_KNOTS", "ENOUGH_HITS")


@dataclass
class Outcome:
    """What the fits of some groups say, in one order: estimates, their errors, the truth, what they are of; flags."""

    estimate: np.ndarray
    se: np.ndarray
    truth: np.ndarray
    kind: np.ndarray
    flagged: np.ndarray
    far: np.ndarray

    def error(self, kind) -> float:
        on = (self.kind == kind) & np.isfinite(self.estimate)
        return float(np.sqrt(np.mean((self.estimate - self.truth)[on] ** 2)))

    def held(self) -> float:
        z = np.abs(self.estimate - self.truth) / self.se
        return float(np.mean(z[np.isfinite(z)] < 1.96))


def songs(seed):
    """Return the groups of one seed."""
    return [_song([seed], 3), *_small(seed)]


def long_song(seed):
    """Return one song of nine takes."""
    return [_song([seed, 9], 9, bars=72, density=(1.0, 2.0))]


def _song(seed, n_takes, bars=20, density=(1.2, 2.4)):
    chance = np.random.default_rng([2032, *seed])
    notes = timing_machine.make_notes(chance, 5, bars=bars, density=density, sections="ABAC")
    truth = timing_machine.make_truth(chance, notes, 5)
    truth.company_s[0], truth.readiness_s[1], truth.jitter_df = 0.005, 0.006, 3.0
    return notes, truth, timing_machine.make_takes(chance, notes, truth, n_takes), 5


def _small(seed):
    for name in ("one take, 4 strikers, 24 bars", "clock, three takes, 20 bars"):
        case, chance = timing_small.CASES[name], np.random.default_rng([2033, seed])
        notes = case.notes(chance)
        truth = timing_machine.make_truth(chance, notes, case.n_strikers)
        yield notes, truth, timing_machine.make_takes(chance, notes, truth, case.n_takes), case.n_strikers


def outcome(groups) -> Outcome:
    """Fit the groups."""
    columns, flagged, far = [[] for _ in range(4)], [], []

    def add(kind, estimate, se, truth):
        for column, values in zip(columns, (estimate, se, truth, np.full(len(estimate), kind)), strict=True):
            column.append(np.broadcast_to(values, len(estimate)))

    for notes, truth, takes, n in groups:
        fitted = timing.fit_of(timing_machine.make_machine(n), notes, takes)
        pace = np.mean([np.mean(bpm) for _, bpm in truth.rate]) / 96
        add("drag", fitted.drag, fitted.drag_se, truth.drag / pace**2)
        add("company", fitted.company, fitted.company_se, truth.company_s)
        add("readiness", fitted.readiness, fitted.readiness_se, truth.readiness_s)
        add("recovery", [np.log(fitted.recovery_beats / truth.recovery_beats)], fitted.recovery_log_se, 0.0)
        add("delay", fitted.delay, fitted.delay_se, truth.delay_s)
        pins = fitted.pins
        alone = pins.groupby(notes["striker"].to_pandas().to_numpy()[pins["pin"]])["pin"].transform("size").eq(1)
        true_s = np.where(alone, 0.0, truth.pin_s[pins["pin"]])
        add("pin", pins["offset_s"].to_numpy(), pins["offset_se"].to_numpy(), true_s)
        flagged.append(pins["misplaced"].to_numpy())
        far.append(np.abs(true_s) >= 0.006)
        _tempo(add, fitted, truth)
    return Outcome(*(np.concatenate(one) for one in columns), np.concatenate(flagged), np.concatenate(far))


def _tempo(add, fitted, truth):
    for number, (beat, bpm) in enumerate(truth.rate):
        grid = fitted.grid[fitted.grid["take"] == number]
        at = fitted.score.grid_score_beat[grid["place"]]
        inside = np.isin(at, beat)
        rate = fitted.score.grid_bpm[grid["place"]] / grid["pace"].to_numpy()
        true = np.interp(at, beat, bpm)
        speed, se = rate / true, grid["speed_se"].to_numpy()
        # Half beats that a track ends at hang on few hits: held by their own errors as all others are.
        estimate = np.where(inside, speed, np.nan)
        add("tempo", estimate, se, 1.0)


def scaled(value, factor):
    """Return a constant's value times `factor`; a range is made narrower or wider about its middle."""
    if isinstance(value, Scales):
        return Scales.of_logs(value.logs() + np.log(factor))
    if isinstance(value, np.ndarray) and value.ndim == 2:
        return value + np.log(factor) * np.array([-1, 1])
    if isinstance(value, tuple) and isinstance(value[0], float):
        return value[0] / factor, value[1] * factor
    if isinstance(value, tuple):
        return tuple(max(1, round(one * factor)) for one in value)
    return max(1, round(value * factor)) if isinstance(value, int) else value * factor


def compared(name, factor, usual: Outcome, other: Outcome) -> str:
    """Return a line of what changed."""
    known = np.isfinite(usual.estimate) & np.isfinite(other.estimate) & (usual.se > 0)
    moved = np.abs(other.estimate - usual.estimate)[known] / usual.se[known]
    wider = np.log(other.se[known] / usual.se[known])
    ratios = [f"{kind} {other.error(kind) / usual.error(kind):.2f}" for kind in ("pin", "delay", "drag", "tempo")]
    found, wrong = ([int((one.flagged & on).sum()) for one in (other, usual)] for on in (usual.far, ~usual.far))
    told = int(np.isfinite(other.estimate).sum()) - int(np.isfinite(usual.estimate).sum())
    return (
        f"{name:36s} × {factor:<3g} moves {np.sqrt(np.mean(moved**2)):5.3f} se, at most {moved.max():6.3f}; se × "
        f"{np.exp(wider.mean()):.3f}, at most {np.exp(wider[np.argmax(np.abs(wider))]):.3f}; errors × "
        f"{', '.join(ratios)}; hold {100 * other.held():.1f} ({100 * usual.held():.1f}) %; found {found[0]} "
        f"({found[1]}) of {usual.far.sum()}, wrong {wrong[0]} ({wrong[1]}); told {told:+d}"
    )


def main(words):
    first, n = (int(words[0]) if words else 1), (int(words[1]) if len(words) > 1 else 3)
    made = {False: [one for seed in range(first, first + n) for one in songs(seed)]}
    usual = {False: outcome(made[False])}
    for folder, names in CONSTANTS.items():
        module = importlib.import_module(f"pipeline.timing.{folder}")
        for name in names.split():
            if words[2:] and name not in words[2:]:
                continue
            many, value = name in OF_MANY_HITS, getattr(module, name)
            if many not in made:
                made[many] = long_song(first)
                usual[many] = outcome(made[many])
            for factor in (0.5, 2.0):
                setattr(module, name, scaled(value, factor))
                try:
                    said = compared(f"{folder}.{name}", factor, usual[many], outcome(made[many]))
                except np.linalg.LinAlgError as error:
                    said = f"{folder}.{name} × {factor}: no solution ({error})"
                finally:
                    setattr(module, name, value)
                print(said, flush=True)


if __name__ == "__main__":
    main(sys.argv[1:])
