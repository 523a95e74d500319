"""Integrate the speed of the barrel: inertia, torque of people, friction, the energy of each strike.

The machine is one inertia at the barrel. With the nominal angular speed ω₀ and the relative speed v = ω/ω₀:

    I ω₀ dv/dt = torque − resistance ω₀ v + wander + stroke sin(strokes) + pull × lateness
    a strike takes the energy E:   v → sqrt(v² − 2 E / (I ω₀²))

so lost speed recovers with the time constant I / resistance. Position is measured in seconds of the score: v = 1 is the
written tempo. The step is 1 ms. Within a step the speed is constant; the loss of a strike acts from the next step on,
which makes an error of position below 1 ms × 0.5 % = 5 µs.
"""

import numba
import numpy as np

STEP_S = 0.001  # of the integration
SLOWEST = 0.02  # least relative speed outside a stall; chosen: the crew keeps the machine moving
BRAKE_S, START_S = 0.15, 0.4  # time constants of stopping for a stall and of starting again; chosen


@numba.njit(cache=True)
def run(
    position_s,  # (n,) where each pin comes, in order
    loss,  # (n,) 2 E / (I ω₀²) that its strike takes
    missed,  # (n,) flag: missed whatever happens; set for the others here
    striker,  # (n,) index
    gap_limit_s,  # (n,) missed when the striker's last strike is nearer than this
    speed_limit,  # (n,) missed below this relative speed
    force,  # (m,) dv/dt of constant torque and wander at each step
    stroke,  # dv/dt of the stroke
    strokes_per_s,  # strokes per second of score
    stroke_turn,  # where the stroke starts, turns
    rate,  # 1 / recovery time
    pull,  # dv/dt per second of lateness against the click
    click_ratio,  # score seconds of the click per second; 0: no click
    click_zero_s,  # position of the click at step 0
    stall_at_s,  # (k,) positions where the machine stalls
    stall_s,  # (k,) how long it stands
    slip_at_s,  # (j,) positions where the drive slips
    slip_steps,  # (j,) steps for which the barrel then stands, negative: by which it is thrown ahead
    start_s,  # position at step 0
    start_speed,
    end_s,
):
    """Run one leg; return position, speed and speed by load alone at each step, and when each pin comes.

    Returns
    -------
    x, v, v_load : np.ndarray, shape=(steps,)
    stood : np.ndarray, shape=(steps,)
        Flag: held by a stall.
    """
    m = len(force)
    x = np.empty(m)
    v = np.empty(m)
    v_load = np.empty(m)
    held = np.zeros(m, dtype=np.bool_)
    last_s = np.full(int(striker.max()) + 1 if len(striker) else 1, -1e9)
    x[0], v[0], v_load[0] = start_s, start_speed, 0.0
    note, stall, state, stand_until = 0, 0, 0, 0.0  # state: 0 runs, 1 brakes, 2 stands, 3 starts
    slip, slipping = 0, 0  # steps for which the barrel still stands
    k = 0
    while k < m - 1 and x[k] < end_s:
        speed = v[k]
        x[k + 1] = x[k] if slipping > 0 else x[k] + speed * STEP_S
        slipping -= slipping > 0
        if slip < len(slip_at_s) and x[k + 1] >= slip_at_s[slip]:
            slipping = max(slip_steps[slip], 0)
            x[k + 1] += speed * STEP_S * max(-slip_steps[slip], 0)
            slip += 1
        late_s = click_zero_s + click_ratio * k * STEP_S - x[k] if click_ratio > 0 else 0.0
        turn = strokes_per_s * x[k] + stroke_turn
        change = force[k] - speed * rate + stroke * np.sin(2 * np.pi * turn) + pull * late_s
        if state == 0:
            speed += change * STEP_S
        elif state == 1:
            speed -= speed / BRAKE_S * STEP_S
            if speed < 0.01:
                state, stand_until = 2, k * STEP_S + stall_s[stall]
        elif state == 2:
            speed = 0.0
            if k * STEP_S >= stand_until:
                state = 3
        else:
            speed += (1.0 - speed) / START_S * STEP_S
            if speed > 0.97:
                state, stall = 0, stall + 1
        held[k + 1] = state > 0
        load = v_load[k] * (1 - rate * STEP_S)
        while note < len(position_s) and position_s[note] <= x[k + 1]:
            now_s = (k + (position_s[note] - x[k]) / max(x[k + 1] - x[k], 1e-12)) * STEP_S
            one = striker[note]
            if now_s - last_s[one] < gap_limit_s[note] or v[k] < speed_limit[note]:
                missed[note] = True
            if not missed[note]:
                last_s[one] = now_s
                after = np.sqrt(max(speed * speed - loss[note], 0.0))
                load -= speed - after
                speed = after
            note += 1
        if state == 0:
            speed = max(speed, SLOWEST)
            if stall < len(stall_at_s) and x[k + 1] >= stall_at_s[stall]:
                state = 1
        v[k + 1], v_load[k + 1] = speed, load
        k += 1
    return x[: k + 1], v[: k + 1], v_load[: k + 1], held[: k + 1]


def wander(n: int, sd: float, correlation_s: float, chance: np.random.Generator) -> np.ndarray:
    """Return n steps of an Ornstein–Uhlenbeck process of the given standard deviation and correlation time."""
    return _wander(chance.normal(size=n), sd, np.exp(-STEP_S / correlation_s))


@numba.njit(cache=True)
def _wander(noise, sd, keep):
    out = np.empty(len(noise))
    fresh = np.sqrt(1 - keep * keep)
    value = noise[0]
    for i in range(len(noise)):
        value = keep * value + fresh * noise[i]
        out[i] = sd * value
    return out
