"""Go round: what one fit of a group keeps fixed, and what each round learns."""

from dataclasses import dataclass

import numpy as np

from pipeline.timing import bordered, design, equations, misplaced, scales, strikes
from pipeline.timing.design import Border
from pipeline.timing.equations import Data, Scales

SCALE_HITS = 5000  # hits from which the scales are found; the rest tells them no better
REPEATED = 10  # strikes beyond the first of their pin that tell place from scatter
SCATTER_DF = 30.0  # weight of the common scatter against a striker's own, in strikes
READY_STEP = 0.7  # of the Gauss-Newton step of ρ: a whole one swings about where only one gap is written


@dataclass(frozen=True, eq=False)
class Solved:
    """One solution of the normal equations, with what made them."""

    border: Border
    data: Data
    normal: bordered.System
    solution: bordered.Solution

    def fitted_s(self, layout) -> np.ndarray:
        """Return what the model says of each hit, pins included."""
        return self.solution.x[layout.state] + self.banded_pin_s(layout) + self.border.matrix @ self.solution.beta

    def banded_pin_s(self, layout) -> np.ndarray:
        return np.where(layout.pin >= 0, self.solution.x[np.maximum(layout.pin, 0)] * self.data.pace, 0.0)

    def beta(self, name: str) -> np.ndarray:
        return self.solution.beta[self.border.places[name]]

    def striker_s(self) -> np.ndarray:
        """Return what the striker adds to each hit: delay, company, readiness."""
        places = [self.border.places[name] for name in ("delay", "company", "readiness", "fade")]
        return sum(self.border.matrix[:, place] @ self.solution.beta[place] for place in places)

    def effect_sd_s(self, name: str, before: float) -> float:
        """Return the spread of an effect over the strikers: one step of expectation-maximisation."""
        place = self.border.places[name]
        if place.start == place.stop:
            return before
        own = np.diag(self.solution.beta_covariance)[place]
        return float(max(np.sqrt(np.mean(self.beta(name) ** 2 + own)), 1e-5))


class Work:
    """The fit while it is being worked out: what is fixed, and what each round learns."""

    def __init__(self, score, gathered):
        self.score, self.strikes = score, gathered
        rows = gathered.rows
        self.played = rows["played"].to_numpy()
        self.hits = rows[self.played].reset_index(drop=True)
        self.n_strikers = len(gathered.striker_names)
        self._prepare_lines()
        self._prepare_pins()
        self._prepare_strikers()
        self.layout = design.layout_of(score, self.track, self.knot, self.band_pin, self.n_pins)
        self.subset = self._choose_subset()

    def _prepare_lines(self):
        hits = self.hits
        self.line, self.track, self.knot = (hits[name].to_numpy() for name in ("line", "track", "knot"))
        self.along_s, self.u_beat = hits["along_s"].to_numpy(), hits["u_beat"].to_numpy()
        self.hit_s, self.hit_se = hits["hit_s"].to_numpy(), hits["hit_se"].to_numpy()
        self.weight = strikes.first_weights(self.strikes)
        for one in range(self.strikes.n_tracks):  # a track needs something to hang on
            on = self.track == one
            if on.any() and not self.weight[on].any():
                self.weight[on] = 1 / hits["shared"].to_numpy()[on]
        # Only the first round goes by that; then the model itself says what is a freak.
        sure = hits["confidence"].to_numpy() >= strikes.UNSURE
        self.full_weight = np.where(sure, 1 / hits["shared"].to_numpy(), 0.0)
        use = self.weight > 0
        ends = np.concatenate([np.zeros(self.strikes.n_lines), np.ones(self.strikes.n_lines)])
        lines = np.tile(np.arange(self.strikes.n_lines), 2)
        at = design.projected(self.hit_s, self.line, self.along_s, lines, ends, use)
        self.start_s = at[: self.strikes.n_lines]
        self.pace = at[self.strikes.n_lines :] - self.start_s
        # A line of one hit, or of one chord, says nothing of the tempo: then the written one.
        self.pace = np.where(self.pace > 0.05, self.pace, 1.0)
        at_zero = self.hit_s - self.pace[self.line] * self.along_s
        counts = np.bincount(self.line[use], minlength=self.strikes.n_lines)
        self.start_s = np.bincount(self.line[use], at_zero[use], self.strikes.n_lines) / np.maximum(counts, 1)
        self.late_s = at_zero - self.start_s[self.line]
        self.beat_s = self.pace / self.score.beat_per_s
        fired = self.strikes.rows[self.strikes.rows["fires"]]
        self.first_u_beat = fired.groupby("line")["u_beat"].min().reindex(range(self.strikes.n_lines)).to_numpy()

    def _prepare_pins(self):
        hits = self.hits
        self.pin_ids, self.pin = np.unique(hits["pin"].to_numpy(), return_inverse=True)
        self.n_pins = len(self.pin_ids)
        all_pins = self.strikes.rows["pin"].to_numpy()
        place = np.minimum(np.searchsorted(self.pin_ids, all_pins), self.n_pins - 1)
        self.row_pin = np.where(self.pin_ids[place] == all_pins, place, -1)
        striker_of = np.zeros(self.n_pins, dtype=int)
        striker_of[self.pin] = hits["striker"]
        self.pin_striker = striker_of
        self.pin_count = np.bincount(self.pin, minlength=self.n_pins)
        # A striker with a single pin has a delay only.
        alone = np.bincount(striker_of, minlength=self.n_strikers)[striker_of] == 1
        knots = hits.groupby("pin")["knot"].nunique().to_numpy()
        self.pin_kind = np.where(alone, 0, np.where(knots == 1, 1, 2))  # none, in the band, in the border
        self.band_pin = np.where(self.pin_kind[self.pin] == 1, self.pin, -1)
        self.border_pins = np.flatnonzero(self.pin_kind == 2)
        self.loose = np.zeros(self.n_pins, dtype=bool)
        # A pin out of place costs more time in a take that is played slower; a striker's delay does not.
        self.pin_pace = self.pace[self.line] / np.mean(self.pace[self.line])
        self.tied = int((self.pin_count[self.pin_kind > 0] - 1).clip(0).sum()) < REPEATED

    def _prepare_strikers(self):
        rows, hits = self.strikes.rows, self.hits
        self.striker = hits["striker"].to_numpy()
        self.scatter = np.ones(self.n_strikers)
        self.drag = np.zeros(self.n_strikers)
        self.recovery = design.RECOVERY_BEATS
        self.ready_s, self.readiness = design.READY_S, np.zeros(self.n_strikers)
        self.company_sd_s = self.readiness_sd_s = design.EFFECT_SD_S
        self.heard = np.flatnonzero(np.bincount(self.striker, minlength=self.n_strikers))
        self.loading = np.flatnonzero(np.bincount(rows.loc[rows["fires"], "striker"], minlength=self.n_strikers))
        if len(self.loading) == 1 and _even(self.score.notes["u_beat"].to_numpy()):
            # One striker in an even row loads the machine evenly: its drag cannot be told from the mean speed.
            self.loading = self.loading[:0]
        self.gap_s = strikes.gap_s(self.strikes, self.pace)[self.played]
        self.company = strikes.company(self.strikes, np.ones(self.n_strikers))[self.played]
        # An effect that is the same in all strikes of a striker cannot be told from its delay.
        self.companions = np.flatnonzero(self._spread(self.company) > design.COMPANY_SPREAD)
        self.readied = np.flatnonzero(self._spread(np.exp(-self.gap_s / design.READY_S)) > design.FADE_SPREAD)

    def _spread(self, values):
        """Return the standard deviation of `values` over the strikes of each striker."""
        return np.array(
            [values[self.striker == one].std() if one in self.heard else 0 for one in range(self.n_strikers)]
        )

    def _choose_subset(self):
        """Return which hits the scales are found from: a few whole tracks, cut to a stretch of the score."""
        if len(self.hits) <= SCALE_HITS:
            return np.ones(len(self.hits), dtype=bool)
        counts = np.bincount(self.track)
        tracks = np.argsort(-counts, kind="stable")[:6]
        inside = np.isin(self.track, tracks)
        for knot in range(1, len(self.score.knot_u_beat) + 1, 16):
            if (inside & (self.knot < knot)).sum() >= SCALE_HITS:
                return inside & (self.knot < knot)
        return inside

    def border(self, now: Scales, use=None) -> design.Border:
        """Return the border at the current drags and recovery, for the hits `use`."""
        use = slice(None) if use is None else use
        line, u_beat, striker = self.line[use], self.u_beat[use], self.striker[use]
        lines = np.unique(line)
        parts, precision, pull = {}, [], []
        middle = np.array([u_beat[line == one].mean() for one in lines])
        place = np.searchsorted(lines, line)
        slope = np.zeros((len(line), len(lines)))
        slope[np.arange(len(line)), place] = u_beat - middle[place]
        parts["slope"] = slope
        precision.append(np.full(len(lines), design.LOOSE))
        parts["delay"] = (striker[:, None] == self.heard) @ design.contrasts(len(self.heard))
        precision.append(np.full(max(len(self.heard) - 1, 0), design.LOOSE))
        parts["drag"] = self.drag_matrix[use][:, self.loading]
        precision.append(np.full(len(self.loading), design.DRAG_SD**-2))
        # What went on before the first strike of a line nobody heard: the speed it starts with is its own.
        parts["start"] = np.where(place[:, None] == np.arange(len(lines)), self.start_column[use][:, None], 0.0)
        precision.append(np.full(len(lines), design.START_SD**-2))
        parts["recovery"] = self.recovery_matrix[use][:, None]
        precision.append(np.ones(1))
        parts["company"] = (striker[:, None] == self.companions) * self.company[use][:, None]
        precision.append(np.full(len(self.companions), self.company_sd_s**-2))
        elapsed = np.minimum(self.gap_s[use] / self.ready_s, 700.0)
        fade = np.exp(-elapsed)
        parts["readiness"] = (striker[:, None] == self.readied) * fade[:, None]
        precision.append(np.full(len(self.readied), self.readiness_sd_s**-2))
        parts["fade"] = (self.readiness[striker] * elapsed * fade)[:, None]
        precision.append(np.full(1, design.READY_LOG_SD**-2))
        parts["pin"] = (self.pin[use][:, None] == self.border_pins) * self.pin_pace[use][:, None]
        precision.append(np.where(self.loose[self.border_pins], 0.0, now.pin_sd_s**-2))
        ends = np.cumsum([0] + [part.shape[1] for part in parts.values()])
        places = {name: slice(ends[i], ends[i + 1]) for i, name in enumerate(parts)}
        precision = np.concatenate(precision)
        pull = np.zeros(len(precision))
        pull[places["recovery"]] = np.log(design.RECOVERY_BEATS / self.recovery)
        pull[places["fade"]] = np.log(design.READY_S / self.ready_s) * precision[places["fade"]]
        return design.Border(np.column_stack(list(parts.values())), precision, pull, places)

    def data(self, use=None) -> Data:
        use = slice(None) if use is None else use
        return Data(
            self.late_s[use], self.hit_se[use], self.weight[use], self.scatter[self.striker[use]],
            self.pin_pace[use], self.loose,
            float(np.mean(self.beat_s)),
        )  # fmt: skip

    def find_scales(self, start: Scales) -> Scales:
        use = self.subset & (self.weight > 0)
        layout = design.layout_of(self.score, self.track[use], self.knot[use], self.band_pin[use], self.n_pins)
        return scales.restricted(layout, lambda now: self.border(now, use), self.data(use), start, self.tied)

    def solve(self, now: Scales):
        """Solve everything linear once; return the equations and what solves them."""
        self.solved_recovery, self.solved_drag = self.recovery, self.drag
        self.drag_matrix = design.drag_columns(self.strikes, self.hits, self.recovery, self.beat_s)
        self.start_column = design.start_column(self.u_beat, self.line, self.first_u_beat, self.recovery, self.beat_s)
        self.recovery_matrix = design.recovery_column(self.strikes, self.hits, self.recovery, self.beat_s, self.drag)
        border = self.border(now)
        data = self.data()
        normal = equations.system(self.layout, border, data, now)
        return Solved(border, data, normal, bordered.solve(normal))

    def pin_estimates(self, solved: Solved, covariance) -> tuple[np.ndarray, np.ndarray]:
        """Return the pins' places and their variances; 0 and NaN for those that have none."""
        estimate, variance = np.zeros(self.n_pins), np.full(self.n_pins, np.nan)
        banded = self.layout.pin_place >= 0
        place = self.layout.pin_place[banded]
        estimate[banded], variance[banded] = solved.solution.x[place], covariance.variance(place)
        estimate[self.border_pins] = solved.beta("pin")
        own = np.diag(solved.solution.beta_covariance)[solved.border.places["pin"]]
        variance[self.border_pins] = own
        return estimate, variance

    def learn(self, now: Scales, solved: Solved) -> None:
        """Take over recovery and drags; call pins; weigh the hits; see which striker scatters more."""
        self.drag = np.zeros(self.n_strikers)
        self.drag[self.loading] = solved.beta("drag")
        change = float(np.clip(solved.beta("recovery")[0], -0.5, 0.5))
        self.recovery = float(np.clip(self.recovery * np.exp(change), *design.RECOVERY_RANGE))
        self.readiness = np.zeros(self.n_strikers)
        self.readiness[self.readied] = solved.beta("readiness")
        change = float(np.clip(solved.beta("fade")[0], -0.5, 0.5))
        self.ready_s = float(np.clip(self.ready_s * np.exp(READY_STEP * change), *design.READY_RANGE_S))
        self.company_sd_s = solved.effect_sd_s("company", self.company_sd_s)
        self.readiness_sd_s = solved.effect_sd_s("readiness", self.readiness_sd_s)
        estimate, variance = self.pin_estimates(solved, Covariance(solved, self.layout))
        rest_s = self.late_s - solved.fitted_s(self.layout)
        scatter_s = np.sqrt(equations.hit_variance(solved.data, now))
        pin_s = estimate[self.pin] * self.pin_pace
        self.call_pins(now, estimate, variance, rest_s + pin_s, scatter_s)
        # Pins that come 15 ms away from where they are written are no company to the others there.
        self.shift_s = np.where(self.loose, estimate, 0.0)[self.row_pin] * (self.row_pin >= 0)
        self.company = strikes.company(self.strikes, self.heaviness(solved), self.shift_s)[self.played]
        self.weight = self.full_weight * misplaced.weights(rest_s, scatter_s, strikes.FREAK_S)
        for one in np.unique(self.track):
            if not self.weight[self.track == one].any():
                self.weight[self.track == one] = 1 / self.hits["shared"].to_numpy()[self.track == one]
        self.scatter = self.scatter_over_common(now, rest_s)

    def call_pins(self, now, estimate, variance, partial_s, scatter_s) -> None:
        testable = (self.pin_kind > 0) & (self.pin_count >= 2) & (not self.tied)
        self.pin_z = misplaced.standardised(estimate, np.nan_to_num(variance), self.loose, now.pin_sd_s)
        self.pin_q = misplaced.q_values(self.pin_z, testable)
        candidates = np.flatnonzero(testable & (np.abs(self.pin_z) > misplaced.CANDIDATE))
        agree = misplaced.agreeing(candidates, self.pin, partial_s, scatter_s)
        self.pin_q[candidates[~agree]] = 1.0
        self.loose = misplaced.minority(self.pin_q < misplaced.MISPLACED_Q, self.loose, self.pin_z, self.pin_striker)

    def heaviness(self, solved: Solved) -> np.ndarray:
        """Return the load of each striker over the mean strike, drawn to 1 as far as it is not known."""
        drag = solved.beta("drag")
        places = solved.border.places["drag"]
        variance = np.diag(solved.solution.beta_covariance)[places]
        struck = np.bincount(self.strikes.rows["striker"][self.strikes.rows["fires"]], minlength=self.n_strikers)
        heavy = np.ones(self.n_strikers)
        mean = float(np.average(drag, weights=struck[self.loading])) if len(drag) else 0.0
        if len(drag) == 0 or mean <= 2 * np.sqrt(variance.mean() / max(len(drag), 1)):
            return heavy
        between = max(float(np.mean((drag - mean) ** 2 - variance)), 0.0)
        known = between / (between + variance)
        heavy[self.loading] = np.clip(1 + known * (drag - mean) / mean, 0.0, None)
        return heavy

    def scatter_over_common(self, now: Scales, rest_s) -> np.ndarray:
        """Return each striker's scatter over the common one, drawn to 1 by SCATTER_DF strikes."""
        left = self.weight > 0
        squares = np.bincount(self.striker[left], (self.weight * rest_s**2)[left], self.n_strikers)
        count = np.bincount(self.striker[left], minlength=self.n_strikers)
        common = squares.sum() / max(count.sum(), 1)
        if common <= 0:
            return np.ones(self.n_strikers)
        return np.sqrt((squares / common + SCATTER_DF) / (count + SCATTER_DF))


def _even(u_beat):
    """Return whether notes come in an even row."""
    step = np.diff(np.sort(u_beat))
    return len(step) == 0 or np.ptp(step) < 0.01 * step.mean()


class Covariance:
    """Answer for variances of what one solution estimates."""

    def __init__(self, solved: Solved, layout):
        blocks = bordered.band_covariance(solved.normal, layout.edges)
        self.own = np.concatenate([np.diag(block) for block in blocks]) if blocks else np.zeros(0)
        self.gain = solved.solution.gain()
        self.beta = solved.solution.beta_covariance

    def variance(self, place, border=None) -> np.ndarray:
        """Return the variance of banded unknowns, each plus a combination `border` (n, m) of the border's."""
        loading = -self.gain[place] if border is None else border - self.gain[place]
        return self.own[place] + np.einsum("im,mk,ik->i", loading, self.beta, loading, optimize=True)
