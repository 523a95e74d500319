"""Print what a pull towards the click would give the slow motion's prior: next to nothing, so `model.motion` has none.

    python -m tests.benchmarks.timing_pull [first_seed] [n_seeds]

The truth has a pull: v' = −v/ℓ − pull × f + noise, as a crew has that corrects to a click (of `demo.chance`, damping
ratio .7, and of the demo's workshop). Strikes of 1.5 ms scatter, two in three of quarter beats, are smoothed with the
prior that has no pull and with the one that has it, each with its own likeliest scales; errors are those of the speed.
"""

import sys

import numpy as np
from scipy import linalg, optimize

BEAT_S, STEP_BEAT, N_STEPS = 0.625, 0.25, 960
SCATTER_S, HEARD = 0.0015, 0.65
SPEED_SD, SPEED_BEATS = 0.005, 8.0
PULLS = {"demo.chance": SPEED_BEATS**-2 / 2, "demo's workshop": 0.04 * BEAT_S**2}  # per beat²
VAGUE_S2 = 100.0


def transition(length, pull, intensity):
    """Return F and Q of one step (Van Loan 1978, IEEE Trans. Autom. Control 23, 395)."""
    drift = np.array([[0.0, 1.0], [-pull, -1 / length]])
    whole = np.block([[-drift, np.diag([0.0, intensity])], [np.zeros((2, 2)), drift.T]])
    found = linalg.expm(whole * STEP_BEAT)
    return found[2:, 2:].T, found[2:, 2:].T @ found[:2, 2:]


def smoothed(late_s, length, pull, intensity):
    """Return −2 log likelihood, mean of f and v, and variance of v at each step (Rauch, Tung & Striebel 1965)."""
    F, Q = transition(length, pull, intensity)
    mean, variance = np.zeros(2), np.diag([VAGUE_S2, intensity * length / 2])
    cost, ahead, behind = 0.0, [], []
    for step, late in enumerate(late_s):
        if step:
            mean, variance = F @ mean, F @ variance @ F.T + Q
        ahead.append((mean, variance))
        if np.isfinite(late):
            spread, off = variance[0, 0] + SCATTER_S**2, late - mean[0]
            cost += np.log(spread) + off**2 / spread
            gain = variance[:, 0] / spread
            mean, variance = mean + gain * off, variance - np.outer(gain, variance[0])
        behind.append((mean, variance))
    means, variances = [behind[-1][0]], [behind[-1][1]]
    for step in range(len(late_s) - 2, -1, -1):
        gain = behind[step][1] @ F.T @ np.linalg.inv(ahead[step + 1][1])
        means.append(behind[step][0] + gain @ (means[-1] - ahead[step + 1][0]))
        variances.append(behind[step][1] + gain @ (variances[-1] - ahead[step + 1][1]) @ gain.T)
    return cost, np.array(means[::-1]), np.array(variances[::-1])[:, 1, 1]


def likeliest(late_s, with_pull, pull):
    """Return what `smoothed` says with the likeliest scales."""

    def scales(logs):
        length, intensity, *more = np.exp(logs)
        return length, more[0] if with_pull else 0.0, intensity

    start = np.log([SPEED_BEATS, 2 * (SPEED_SD * BEAT_S) ** 2 / SPEED_BEATS, pull])[: 2 + with_pull]
    options = {"maxiter": 90, "xatol": 0.02, "fatol": 0.02}
    found = optimize.minimize(
        lambda logs: smoothed(late_s, *scales(logs))[0], start, method="Nelder-Mead", options=options
    )
    return smoothed(late_s, *scales(found.x))


def main(words):
    first, n = (int(words[0]) if words else 1), (int(words[1]) if len(words) > 1 else 6)
    for name, pull in PULLS.items():
        error, z, ratio = ({False: [], True: []} for _ in range(3))
        for seed in range(first, first + n):
            chance = np.random.default_rng([2036, seed])
            F, Q = transition(SPEED_BEATS, pull, 2 * (SPEED_SD * BEAT_S) ** 2 / SPEED_BEATS)
            root, state = np.linalg.cholesky(Q), [np.array([0.0, SPEED_SD * BEAT_S * chance.normal()])]
            for _ in range(N_STEPS - 1):
                state.append(F @ state[-1] + root @ chance.normal(size=2))
            state = np.array(state)
            late_s = state[:, 0] + SCATTER_S * chance.normal(size=N_STEPS)
            late_s[chance.random(N_STEPS) > HEARD] = np.nan
            for with_pull in (False, True):
                cost, means, variance = likeliest(late_s, with_pull, pull)
                error[with_pull].append((means[:, 1] - state[:, 1]) / BEAT_S)
                z[with_pull].append((means[:, 1] - state[:, 1]) / np.sqrt(variance))
                ratio[with_pull].append(cost)
        for with_pull in (False, True):
            rms, held = np.sqrt(np.mean(np.square(error[with_pull]))), np.mean(np.abs(z[with_pull]) < 1.96)
            print(f"{name}, {'with' if with_pull else 'without'} a pull: speed off by {100 * rms:.4f} %, "
                  f"95 % intervals hold {100 * held:.1f} %")  # fmt: skip
        print(f"  likelihood ratios of the pull: {np.round(np.subtract(ratio[False], ratio[True]), 1)}", flush=True)


if __name__ == "__main__":
    main(sys.argv[1:])
