"""Go round: what one fit of a group keeps fixed, and what each round learns."""

from dataclasses import replace

import numpy as np

from pipeline.timing import strikes
from pipeline.timing.fitting import misplaced_pins, pin_company
from pipeline.timing.model import bordered_solver, design, load, normal_equations, variance_components
from pipeline.timing.model.normal_equations import Data, Scales
from pipeline.timing.model.solution import Covariance, Solved

SCALE_HITS = 5000  # hits from which the scales are found; the rest tells them no better
REPEATED = 10  # strikes beyond the first of their pin that tell place from scatter
SCATTER_DF = 30.0  # weight of the common scatter against a striker's own, in strikes
START, RECOVERY, BENT = -3, -2, -1  # columns of `Work.load_at` behind those of the drags
LOG_STEP = 0.01  # of the recovery, for the central difference
SURE = 3.0  # standard errors from which a striker's company is looked into pin by pin
OFTEN = 2  # calls taken back after which a pin is called no more
READY_STEP = 0.7  # of the Gauss-Newton step of ρ: a whole one swings about where only one gap is written


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
        self.hit_s, self.hit_se = hits["since_s"].to_numpy(), hits["hit_se"].to_numpy()
        self.weight = self._hung(strikes.first_weights(self.strikes))
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
        every = range(self.strikes.n_lines)
        self.first_u_beat = fired.groupby("line")["u_beat"].min().reindex(every).to_numpy()
        self.last_u_beat = hits.groupby("line")["u_beat"].max().reindex(every).to_numpy()

    def _hung(self, weight: np.ndarray) -> np.ndarray:
        """Return the weights; a track of which none is left hangs on all of its hits."""
        weighed = np.unique(self.track[weight != 0])
        return np.where(np.isin(self.track, weighed), weight, 1 / self.hits["shared"].to_numpy())

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
        self.pin_u_beat = self.score.knot_u_beat[hits.groupby("pin")["knot"].min()]
        self.pin_kind = np.where(alone, 0, np.where(knots == 1, 1, 2))  # none, in the band, in the border
        self.band_pin = np.where(self.pin_kind[self.pin] == 1, self.pin, -1)
        self.border_pins = np.flatnonzero(self.pin_kind == 2)
        self.taken_back = np.zeros(self.n_pins, dtype=int)
        self.loose, self.shift_s = np.zeros(self.n_pins, dtype=bool), np.zeros(len(all_pins))
        # A pin out of place costs more time where the machine turns slower; a striker's delay does not.
        self.pin_pace = self.pace[self.line] / np.mean(self.pace[self.line])
        self.tied = int((self.pin_count[self.pin_kind > 0] - 1).clip(0).sum()) < REPEATED
        self.testable = (self.pin_kind > 0) & (self.pin_count >= 2) & (not self.tied)

    def _prepare_strikers(self):
        rows, hits = self.strikes.rows, self.hits
        self.striker = hits["striker"].to_numpy()
        self.scatter = np.ones(self.n_strikers)
        self.drag, self.start = np.zeros(self.n_strikers), np.zeros(self.strikes.n_lines)
        self.recovery = design.RECOVERY_BEATS
        self.ready_s, self.readiness = design.READY_S, np.zeros(self.n_strikers)
        self.company_precision = self.readiness_precision = design.EFFECT_SD_S**-2
        self.heard = np.flatnonzero(np.bincount(self.striker, minlength=self.n_strikers))
        self.loading = np.flatnonzero(np.bincount(rows.loc[rows["fires"], "striker"], minlength=self.n_strikers))
        if len(self.loading) == 1 and _even(self.score.notes["u_beat"].to_numpy()):
            # One striker in an even row loads the machine evenly: its drag cannot be told from the mean speed.
            self.loading = self.loading[:0]
        self.gap_s = strikes.gap_s(self.strikes, self.pace)[self.played]
        self.company = strikes.company(self.strikes, np.ones(self.n_strikers))[self.played]
        self.company_by_drag = np.zeros((len(hits), self.n_strikers))
        # An effect that is the same in all strikes of a striker cannot be told from its delay.
        self.companions = self._told_by(self.company, design.COMPANY_SPREAD)
        self.readied = self._told_by(np.exp(-self.gap_s / design.READY_S), design.FADE_SPREAD)

    def _told_by(self, values, least):
        """Return the strikers over whose strikes `values` spread by more than `least`, by pins enough.

        By one pin or two an effect cannot be told from where these are.
        """
        told = []
        for one in self.heard:
            mine = self.striker == one
            by_pin = np.bincount(self.pin[mine], values[mine] - values[mine].mean(), self.n_pins) ** 2
            if values[mine].std() > least and by_pin.sum() ** 2 > design.EFFECT_PINS * (by_pin**2).sum():
                told.append(one)
        return np.array(told, dtype=int)

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
        parts["drag"] = (self.load_stripped[use, : self.n_strikers] + self.company_by_drag[use])[:, self.loading]
        precision.append(np.full(len(self.loading), design.DRAG_SD**-2))
        # What went on before the first strike of a line nobody heard: the speed it starts with is its own.
        parts["start"] = np.where(place[:, None] == np.arange(len(lines)), self.load[use, START][:, None], 0.0)
        precision.append(np.full(len(lines), design.START_SD**-2))
        parts["recovery"] = self.load_stripped[use, RECOVERY][:, None]
        precision.append(np.ones(1))
        parts["company"] = (striker[:, None] == self.companions) * self.company[use][:, None]
        precision.append(np.full(len(self.companions), self.company_precision))
        elapsed = np.minimum(self.gap_s[use] / self.ready_s, 700.0)
        fade = np.exp(-elapsed)
        parts["readiness"] = (striker[:, None] == self.readied) * fade[:, None]
        precision.append(np.full(len(self.readied), self.readiness_precision))
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
            (self.late_s - self.bent_s)[use], self.hit_se[use], self.weight[use], self.scatter[self.striker[use]],
            self.pin_pace[use], self.loose,
            float(np.mean(self.beat_s)),
        )  # fmt: skip

    def find_scales(self, start: Scales) -> Scales:
        return self._likelihood().greatest(start)

    def scales_around(self, best: Scales) -> list[tuple[float, Scales]]:
        """Return shares and scales around the `best` that are possible, too."""
        return self._likelihood().around(best)

    def _likelihood(self):
        use = self.subset & (self.weight > 0)
        layout = design.layout_of(self.score, self.track[use], self.knot[use], self.band_pin[use], self.n_pins)
        return variance_components.Likelihood(
            layout, lambda now: self.border(now, use), self.data(use), self.tied, self.testable.sum()
        )

    def solve(self, now: Scales) -> Solved:
        """Solve everything linear once; return the equations and what solves them."""
        self.law = load.Law(self.drag, self.start, self.recovery, self.beat_s, self.first_u_beat)
        self.load = self.load_at(self.line, self.u_beat)
        self.load_stripped = design.stripped(self.load, self.line, self.u_beat)
        self.bent_s = self.load_stripped[:, BENT] - self.company_by_drag @ self.drag
        return self.solve_alike(now)

    def solve_alike(self, now: Scales) -> Solved:
        """Solve with other scales, the law of load as it is in the last solution."""
        border = self.border(now)
        data = self.data()
        normal = normal_equations.system(self.layout, border, data, now)
        return Solved(border, data, normal, bordered_solver.solve(normal))

    def load_at(self, line, u_beat) -> np.ndarray:
        """Return the load's lateness at places, linear about the present drags, starts and recovery.

        Columns: per unit of each drag, of the line's start, of the logarithm of the recovery; last what is beside the
        linear. Shape=(n, n_strikers + 3).
        """
        late = load.lateness(self.strikes, self.law, line, u_beat, self.last_u_beat)
        # Strikes alone tell the recovery: how a line starts has reasons of its own.
        alone = replace(self.law, start=np.zeros_like(self.law.start))
        more, less = (
            load.whole(
                self.strikes,
                replace(alone, recovery_beats=alone.recovery_beats * np.exp(step)),
                line,
                u_beat,
                self.last_u_beat,
            )
            for step in (LOG_STEP, -LOG_STEP)
        )
        answer = (more - less) / (2 * LOG_STEP)
        return np.column_stack([late.by_drag_s, late.by_start_s, answer, late.bent_s(self.law, line)])

    def load_s(self, solved: Solved) -> np.ndarray:
        """Return what the load adds to each hit."""
        linear = self.load_stripped[:, self.loading] @ solved.beta("drag")
        return linear + self.load_stripped[:, RECOVERY] * solved.beta("recovery") + self.load_stripped[:, BENT]

    def pace_here(self, solved: Solved) -> np.ndarray:
        """Return the pace at each hit, over the mean of all: that of the smooth curve over a beat around it."""
        matrix, beta = solved.border.matrix, solved.solution.beta
        straight = [solved.border.places[name] for name in ("slope", "start")]
        smooth_s = solved.solution.x[self.layout.state] + self.load_s(solved)
        smooth_s = smooth_s + sum(matrix[:, place] @ beta[place] for place in straight)
        rate = np.zeros(len(smooth_s))
        for one in np.unique(self.line):
            on = np.flatnonzero(self.line == one)
            u_beat, first = np.unique(self.u_beat[on], return_index=True)
            ahead, behind = (np.clip(self.u_beat[on] + side, u_beat[0], u_beat[-1]) for side in (0.5, -0.5))
            curve_s = smooth_s[on][first]
            gone_s = np.interp(ahead, u_beat, curve_s) - np.interp(behind, u_beat, curve_s)
            rate[on] = gone_s / np.maximum(ahead - behind, 0.5)
        pace = self.beat_s[self.line] + rate
        return np.clip(pace / np.mean(self.beat_s[self.line]), 0.5, 2.0)

    def striker_s(self, solved: Solved) -> np.ndarray:
        """Return what the striker adds to each hit: delay, company, readiness."""
        matrix, beta = solved.border.matrix, solved.solution.beta
        places = [solved.border.places[name] for name in ("delay", "company", "readiness", "fade")]
        company_s = self.company_by_drag[:, self.loading] @ solved.beta("drag") - self.company_by_drag @ self.law.drag
        return sum(matrix[:, place] @ beta[place] for place in places) + company_s

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
        self.start = solved.beta("start").copy()
        change = float(np.clip(solved.beta("recovery")[0], -0.5, 0.5))
        self.recovery = float(np.clip(self.recovery * np.exp(change), *design.RECOVERY_RANGE))
        self.readiness = np.zeros(self.n_strikers)
        self.readiness[self.readied] = solved.beta("readiness")
        change = float(np.clip(solved.beta("fade")[0], -0.5, 0.5))
        self.ready_s = float(np.clip(self.ready_s * np.exp(READY_STEP * change), *design.READY_RANGE_S))
        self.company_precision = solved.effect_precision("company", self.company_precision)
        self.readiness_precision = solved.effect_precision("readiness", self.readiness_precision)
        estimate, variance = self.pin_estimates(solved, Covariance(solved, self.layout))
        rest_s = solved.data.late_s - solved.fitted_s(self.layout)
        scatter_s = np.sqrt(normal_equations.hit_variance(solved.data, now))
        pin_s = estimate[self.pin] * self.pin_pace
        self.pin_pace = self.pace_here(solved)
        partial_s = rest_s + pin_s
        self.call_pins(now, estimate, variance, partial_s, scatter_s)
        # Pins that come 15 ms away from where they are written are no company to the others there.
        place_s = np.where(self.loose, estimate, 0.0)
        answers = self.answers(now, solved, place_s, partial_s, scatter_s)
        for pin, answer in answers.items():
            place_s[pin], self.answer_variance[pin] = answer.place_s, answer.variance
        self.shift_s = place_s[self.row_pin] * (self.row_pin >= 0)
        near = strikes.neighbours(self.strikes, self.shift_s)[self.played]
        heavy, by_drag = self.heaviness(solved)
        effect_s = np.zeros(self.n_strikers)
        effect_s[self.companions] = solved.beta("company")
        self.company = near @ heavy
        for pin, answer in answers.items():
            self.company[self.pin == pin] = answer.company
        self.company_by_drag = effect_s[self.striker][:, None] * (near @ by_drag)
        trust = self.full_weight * self.hits["confidence"].to_numpy()
        middle_s = misplaced_pins.middles(self.loose, self.pin, partial_s, trust)
        away_s = np.where(self.loose[self.pin], partial_s - middle_s[self.pin], rest_s)
        self.weight = self._hung(self.full_weight * misplaced_pins.weights(away_s, scatter_s, strikes.FREAK_S))
        self.scatter = self.scatter_over_common(now, rest_s)

    def call_pins(self, now, estimate, variance, partial_s, scatter_s) -> None:
        self._look_out(now, estimate, variance)
        candidates = np.flatnonzero(self.testable & (np.abs(self.pin_z) > misplaced_pins.CANDIDATE))
        agree = misplaced_pins.agreeing(candidates, self.pin, partial_s, scatter_s)
        self.pin_q[candidates[~agree]] = 1.0
        called = (self.pin_q < misplaced_pins.MISPLACED_Q) & (self.taken_back < OFTEN)
        before, self.loose = (
            self.loose,
            misplaced_pins.minority(called, self.loose, self.pin_z, self.pin_striker, self.pin_u_beat),
        )
        self.taken_back += before & ~self.loose

    def take_back(self, now: Scales, estimate, variance) -> bool:
        """Take back calls that do not stand once nothing holds the pins: a row of them can hang on each other."""
        before = self.loose
        self._look_out(now, estimate, variance)
        self.loose = before & (self.pin_q < misplaced_pins.MISPLACED_Q)
        self.answer_variance[~self.loose] = 0.0
        return bool((before & ~self.loose).any())

    def _look_out(self, now, estimate, variance):
        self.pin_z = misplaced_pins.standardised(estimate, np.nan_to_num(variance), self.loose, now.pin_sd_s)
        self.pin_q = misplaced_pins.q_values(self.pin_z, self.testable)

    def answers(self, now: Scales, solved: Solved, place_s, partial_s, scatter_s) -> dict[int, pin_company.Answers]:
        """Return what goes with the strikes of the misplaced pins whose strikers company surely delays."""
        self.answer_variance = np.zeros(self.n_pins)
        effect_s, place = solved.beta("company"), solved.border.places["company"]
        sure = np.abs(effect_s) > SURE * np.sqrt(np.diag(solved.solution.beta_covariance)[place])
        effect_s = dict(zip(self.companions[sure], effect_s[sure], strict=True))
        pins = [pin for pin in np.flatnonzero(self.loose) if self.pin_striker[pin] in effect_s]
        if not pins:
            return {}
        rows, heavy, found = self.strikes.rows, self.heaviness(solved)[0], {}
        load_of = np.where(rows["fires"], heavy[rows["striker"]], 0.0)
        line, along_s, row = rows["line"].to_numpy(), rows["along_s"].to_numpy(), np.flatnonzero(self.played)
        for pin in pins:
            hit = np.flatnonzero((self.pin == pin) & (self.weight > 0))
            if len(hit) == 0:
                continue
            own_s = effect_s[self.pin_striker[pin]]
            around = pin_company.around(line, along_s + self.shift_s, load_of, row[hit], along_s[row[hit]])
            late_s = partial_s[hit] + own_s * self.company[hit]
            variance, pace = scatter_s[hit] ** 2 / self.weight[hit], self.pin_pace[hit]
            found[pin] = pin_company.answers(late_s, variance, pace, own_s, *around, now.pin_sd_s)
        return found

    def heaviness(self, solved: Solved) -> tuple[np.ndarray, np.ndarray]:
        """Return the load of each striker over the mean strike, drawn to 1 as far as it is not known.

        And how that answers to the drags, shape=(n_strikers, n_strikers).
        """
        drag = solved.beta("drag")
        places = solved.border.places["drag"]
        variance = np.diag(solved.solution.beta_covariance)[places]
        struck = np.bincount(self.strikes.rows["striker"][self.strikes.rows["fires"]], minlength=self.n_strikers)
        heavy, answer = np.ones(self.n_strikers), np.zeros((self.n_strikers, self.n_strikers))
        share = struck[self.loading] / max(struck[self.loading].sum(), 1)
        mean = float(share @ drag)
        if len(drag) == 0 or mean <= 2 * np.sqrt(variance.mean() / len(drag)):
            return heavy, answer
        between = max(float(np.mean((drag - mean) ** 2 - variance)), 0.0)
        known = between / (between + variance)
        drawn = 1 + known * (drag - mean) / mean
        heavy[self.loading] = np.clip(drawn, 0.0, None)
        by_drag = np.diag(known / mean) - np.multiply.outer(known * drag / mean**2, share)
        answer[np.ix_(self.loading, self.loading)] = np.where(drawn[:, None] > 0, by_drag, 0.0)
        return heavy, answer

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
