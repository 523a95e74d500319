"""Set the weak priors of what the strikes may say little about ("free": see the package's docstring)."""

FLAT_PRECISION = 1.0  # 1/s², 1/(s per beat)², of what is all but flat: sd 1 s beside milliseconds; free: 0
DRAG_SD = 0.05  # a strike that takes a tenth of the speed would stop the machine; free: 0.001
START_SD = 0.1  # of the share of its speed by which a line starts slower; free: 0.005
RECOVERY_BEATS = 6.0  # centre for τ: between a light wheel and a heavy one; free: 0.025
RECOVERY_LOG_SD = 1.0  # of log τ: a factor of 2.7 to both sides; free: 0.006
READY_S = 0.15  # centre for ρ, how long a striker is not ready: some swings of a lever; free: 0.023
READY_LOG_SD = 0.7  # of log ρ: a factor of 2 to both sides; free: 0.013
EFFECT_SD_S = 0.001  # of company and of readiness over the strikers, in the first round; free: 0.026
