"""The weak priors of what the strikes may say little about."""

FLAT_PRECISION = 1.0  # 1/s², 1/(s per beat)², of what is all but free: sd 1 s beside milliseconds
DRAG_SD = 0.05  # a strike that takes a tenth of the speed would stop the machine
START_SD = 0.1  # of the share of its speed by which a line starts slower
RECOVERY_BEATS = 6.0  # centre for τ
RECOVERY_LOG_SD = 1.0  # of log τ
READY_S = 0.15  # centre for ρ, how long a striker is not ready
READY_LOG_SD = 0.7  # of log ρ
EFFECT_SD_S = 0.001  # of company and of readiness over the strikers, in the first round
