"""Simulate one leg of a take, an uninterrupted run: when it starts, the speed of the barrel, the strikes."""

import numpy as np
import pyarrow as pa

from demo import drive, energy, score
from demo.truth import Curve, Strikes

MISS_GAP_SPREAD = 0.05  # relative standard deviation, from strike to strike, of the gap below which a striker misses
COMPANY_S = 0.015  # strikes nearer than this are company
STROKE = "stroke"  # name, among the shafts, of the ripple that pedals or crank make
SLACK = 3.0  # a leg is cut off after this × its written length


class Run:
    """One leg; call `place`, `drive` and `strike` in this order. Then `strikes`, `curve`, `shaft_rows` are known."""

    def __init__(self, machine, notes, faults, crew, number, leg, chance):
        self.machine, self.notes, self.faults, self.crew = machine, notes, faults, crew
        self.number, self.leg, self.chance = number, leg, chance
        bars = notes["bar"].to_numpy()
        self.length_s = score.length_s(notes)
        bar_s = score.beats_per_bar(notes) * score.beat_s(notes)
        score_s = notes["score_s"].to_numpy()
        first_s = (leg.first_bar - 1) * bar_s if leg.first_bar > 1 else 0.0
        last_s = (leg.last_bar * bar_s if leg.last_bar else self.length_s) + (leg.rounds - 1) * self.length_s
        rounds = np.repeat(np.arange(leg.rounds), len(notes))
        row = np.tile(np.arange(len(notes)), leg.rounds)
        along_s = score_s[row] + rounds * self.length_s
        last = leg.last_bar or 10**9
        inside = ((rounds > 0) | (bars[row] >= leg.first_bar)) & ((rounds < leg.rounds - 1) | (bars[row] <= last))
        order = np.flatnonzero(inside)
        self.row, self.round, self.along_s = row[order], rounds[order], along_s[order]
        self.first_s, self.last_s, self.bar_s = first_s, last_s, bar_s
        self.column = score.column_of(machine, notes)[self.row]

    def place(self, not_before_s, lead_s, click_zero):
        """Set the time at which the leg starts; if the click runs already, the leg starts on a bar of it.

        Parameters
        ----------
        not_before_s : float
            Earliest start.
        lead_s : float
            Score time between the start and the first note's bar.
        click_zero : (float, float) or None
            A time at which the click is at a known score position, and that position, both in s.
        """
        self.start_s = self.first_s - lead_s
        self.zero_time_s = not_before_s
        self.ratio = self.crew.click_bpm * score.beat_s(self.notes) / 60 if self.crew.click_bpm else 0.0
        if click_zero is not None and self.ratio:
            time_s, position_s = click_zero
            ahead = (position_s + (not_before_s - time_s) * self.ratio - self.start_s) / self.bar_s
            self.zero_time_s += (np.ceil(ahead) - ahead) * self.bar_s / self.ratio

    def drive(self):
        """Integrate the speed; pins come where shafts out of true and misplacement put them."""
        crew, faults, chance = self.crew, self.faults, self.chance
        inertia, omega = energy.inertia_at_barrel_kg_m2(self.machine), energy.nominal_rad_per_s(self.notes)
        self.momentum = inertia * omega
        rate = crew.resistance_nm_s / inertia
        stalls = sorted((s for s in crew.stalls if s.leg == self.number), key=lambda s: s.bar)
        stand_s = np.array([s.stand_s for s in stalls], dtype=float)
        slips = sorted((s for s in crew.slips if s.leg == self.number), key=lambda s: s.bar)
        end_s = self.last_s + 0.5
        n = int(((end_s - self.start_s) * SLACK + (stand_s + 3).sum() + 5) / drive.STEP_S)
        force = np.full(n, crew.torque_nm / self.momentum)
        if crew.wander_nm:
            force += drive.wander(n, crew.wander_nm / self.momentum, crew.wander_s, chance)
        self._draw_shafts()
        self.shaft_pos_s = self._shaft_s(self.along_s)
        self.pin_pos_s = faults.pin_s[self.notes["pin_id"].to_numpy()[self.row]] if len(self.row) else np.zeros(0)
        comes_s = self.along_s + self.shaft_pos_s + self.pin_pos_s
        order = np.argsort(comes_s, kind="stable")
        missed = self._missed_anyway(comes_s)[order]
        loss = 2 * faults.energy_j[self.column] / (inertia * omega**2)
        gap_s = faults.miss_gap_s[self.column] * (1 + MISS_GAP_SPREAD * chance.normal(size=len(order)))
        per_s = score.turn_per_s(self.notes)
        stroke_turn = float(chance.random())
        self._note_stroke(stroke_turn, rate)
        x, v, load, held = drive.run(
            comes_s[order], loss[order], missed, self.column[order], gap_s[order],
            faults.miss_speed[self.column][order], force, crew.stroke_nm / self.momentum,
            crew.strokes_per_turn * per_s, stroke_turn, rate, crew.pull_nm_per_s / self.momentum,
            self.ratio, self.start_s, np.array([(s.bar - 1) * self.bar_s for s in stalls], dtype=float), stand_s,
            np.array([(s.bar - 1) * self.bar_s for s in slips], dtype=float),
            np.array([round(s.size_s / drive.STEP_S) for s in slips], dtype=np.int64), self.start_s,
            min(1.0, float(force[0] / rate)), end_s,
        )  # fmt: skip
        self.missed = np.empty(len(order), dtype=bool)
        self.missed[order] = missed
        time_s = self.zero_time_s + np.arange(len(x)) * drive.STEP_S
        leg = np.full(len(x), self.number + 1)
        self.curve = Curve(leg, time_s, x, self._turn(x), v, load, held)

    def strike(self, playthrough):
        """Add delay, company, readiness and scatter of the strikers, and the parts of the lateness of each strike."""
        faults, chance, notes, curve = self.faults, self.chance, self.notes, self.curve
        reached = self.along_s + self.shaft_pos_s + self.pin_pos_s < curve.score_s[-1]
        for name in ("row", "round", "along_s", "shaft_pos_s", "pin_pos_s", "column", "missed"):
            setattr(self, name, getattr(self, name)[reached])
        n, column = len(self.row), self.column
        at_s = self._when(self.along_s)
        shaft_s = self._when(self.along_s + self.shaft_pos_s) - at_s
        comes_s = self._when(self.along_s + self.shaft_pos_s + self.pin_pos_s)
        clock_s = self.zero_time_s + (self.along_s - self.start_s) / (self.ratio or 1.0)
        gone_s = np.interp(at_s, curve.time_s, np.cumsum(curve.load) * drive.STEP_S)
        company_s = faults.company_s[column] * self._others(comes_s)
        readiness_s = faults.readiness_s[column] * np.exp(-self._gap(comes_s) / faults.readiness_fade_s)
        jitter_s = faults.jitter_s[column] * _scatter(chance, n, faults.jitter_df)
        velocity = notes["velocity"].to_numpy()[self.row]
        level_db = faults.level_db[column] + 12 * np.log10(np.maximum(velocity, 1) / 127)
        level_db = np.minimum(level_db + faults.level_sd_db[column] * chance.normal(size=n), -0.5)
        self.strikes = Strikes(
            note_id=notes["note_id"].to_numpy()[self.row],
            pin_id=notes["pin_id"].to_numpy()[self.row],
            playthrough=playthrough + self.round,
            leg=np.full(n, self.number + 1),
            striker=score.names_of(self.machine)[column],
            score_s=notes["score_s"].to_numpy()[self.row],
            barrel_turn=self._turn(self.along_s),
            missed=self.missed,
            strike_s=comes_s + faults.delay_s[column] + company_s + readiness_s + jitter_s,
            clock_s=clock_s,
            motion_s=at_s - clock_s + gone_s,
            load_s=-gone_s,
            shaft_s=shaft_s,
            pin_s=comes_s - at_s - shaft_s,
            delay_s=faults.delay_s[column],
            company_s=company_s,
            readiness_s=readiness_s,
            jitter_s=jitter_s,
            level_db=level_db,
        )

    def index_s(self):
        """Return the times at which the barrel passes whole turns, s."""
        turn = self.curve.turn
        if not np.isfinite(turn[0]):
            return np.zeros(0)
        marks = np.arange(np.ceil(turn[0]), np.floor(turn[-1]) + 1)
        return np.interp(marks, turn, self.curve.time_s)

    def tempo(self):
        """Return the tempo at every half beat of the score: the mean over the half beat around it, shafts included."""
        beat_s, curve = score.beat_s(self.notes), self.curve
        half = np.arange(np.ceil(2 * self.first_s / beat_s), np.floor(2 * self.last_s / beat_s)) / 2
        half = half[half * beat_s + beat_s / 4 < curve.score_s[-1]]
        time_s, after_s, before_s = (
            self._when(along_s + self._shaft_s(along_s))
            for along_s in (half * beat_s, (half + 0.25) * beat_s, (half - 0.25) * beat_s)
        )
        span_s = after_s - before_s
        length = self.length_s / beat_s
        rounds = np.floor(half / length + 1e-9).astype(int)
        return pa.table(
            {
                "leg": np.full(len(half), self.number + 1),
                "playthrough": self.strikes.playthrough.min(initial=1) + rounds,
                "score_beat": half - rounds * length,
                "time_s": time_s,
                "tempo_bpm": 30.0 / span_s,
                "load": np.interp(time_s, curve.time_s, curve.load),
            }
        )

    def _draw_shafts(self):
        self.shaft_rows = []
        for fault in self.faults.shafts:
            phase = self.chance.random() if fault.phase_turn is None else fault.phase_turn
            creep = fault.creep_sd * self.chance.normal()
            order = fault.turns * fault.harmonic * (1 + creep)
            row = dict(leg=self.number + 1, shaft=fault.shaft, harmonic=fault.harmonic, order=order, creep=creep)
            self.shaft_rows.append(row | dict(amplitude_s=fault.amplitude_s, phase_turn=phase))

    def _note_stroke(self, stroke_turn, rate):
        """Add the ripple of the crew's strokes to the shafts: torque integrated twice, a part of the motion."""
        crew = self.crew
        if not crew.stroke_nm or not crew.strokes_per_turn:
            return
        rad_per_s = 2 * np.pi * crew.strokes_per_turn * score.turn_per_s(self.notes)
        speed = crew.stroke_nm / self.momentum / np.hypot(rad_per_s, rate)
        row = dict(leg=self.number + 1, shaft=STROKE, harmonic=1, order=crew.strokes_per_turn, creep=0.0)
        self.shaft_rows.append(row | dict(amplitude_s=speed / rad_per_s, phase_turn=stroke_turn))

    def _shaft_s(self, along_s):
        turn = along_s * score.turn_per_s(self.notes)
        out = np.zeros(len(along_s))
        for row in self.shaft_rows:
            if row["shaft"] == STROKE:
                continue
            out += row["amplitude_s"] * np.sin(2 * np.pi * (row["order"] * turn + row["phase_turn"]))
        return out

    def _missed_anyway(self, comes_s):
        """Draw the misses that do not depend on the speed: at random, of a pin, in company."""
        faults, n = self.faults, len(comes_s)
        pin = faults.pin_miss[self.notes["pin_id"].to_numpy()[self.row]] if n else np.zeros(0)
        company = _near(comes_s, np.ones(n)) > 0
        draw = self.chance.random((3, n))
        missed = (draw[0] < faults.miss_rate[self.column]) | (draw[1] < pin)
        return missed | (company & (draw[2] < faults.miss_company[self.column]))

    def _others(self, comes_s):
        """Return the energy of the others' strikes within COMPANY_S, in mean strikes; missed ones have none."""
        energy_j = self.faults.energy_j
        mean = energy_j[self.column].mean() if len(self.column) else 0.0
        weight = energy_j[self.column] / mean if mean > 0 else np.ones(len(comes_s))
        return _near(comes_s, np.where(self.missed, 0.0, weight))

    def _gap(self, comes_s):
        gap_s = np.full(len(comes_s), np.inf)
        for one in np.unique(self.column):
            mine = np.flatnonzero(self.column == one)
            mine = mine[np.argsort(comes_s[mine], kind="stable")]
            played = np.where(self.missed[mine], -np.inf, comes_s[mine])
            last = np.concatenate([[-np.inf], np.maximum.accumulate(played)[:-1]])
            gap_s[mine] = comes_s[mine] - last
        return gap_s

    def _when(self, position_s):
        """Return when the barrel is at a score position (position only grows; it stands still in a stall)."""
        return np.interp(position_s, self.curve.score_s, self.curve.time_s)

    def _turn(self, along_s):
        turn, score_s = self.notes["barrel_turn"].to_numpy(), self.notes["score_s"].to_numpy()
        if not len(turn) or not np.isfinite(turn).all():
            return np.full(len(along_s), np.nan)
        return turn[0] + (along_s - score_s[0]) * score.turn_per_s(self.notes)


def _near(at_s, weight):
    """Return for each time the sum of the weights of the others within COMPANY_S."""
    order = np.argsort(at_s, kind="stable")
    sorted_s, total = at_s[order], np.concatenate([[0.0], np.cumsum(weight[order])])
    low = np.searchsorted(sorted_s, sorted_s - COMPANY_S, side="left")
    high = np.searchsorted(sorted_s, sorted_s + COMPANY_S, side="right")
    out = np.empty(len(at_s))
    out[order] = total[high] - total[low] - weight[order]
    return np.maximum(out, 0.0) * (out > 1e-9)


def _scatter(chance, n, df):
    if np.isinf(df):
        return chance.normal(size=n)
    return chance.standard_t(df, size=n) * np.sqrt((df - 2) / df)  # standard deviation 1
