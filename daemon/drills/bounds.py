"""Hard bounds on every drill, ball type and player level, whatever a file says: defaults of ours."""

HARD_MAX_PER_MIN = 90.0
HARD_MAX_SET_BALLS = 120
HARD_MAX_BALLS = 1200
HARD_MAX_MINUTES = 120.0
HARD_MAX_MPS = 30
HARD_MAX_REVPS = 150
MIN_TEMPO_PER_MIN = 5.0
MIN_START_DELAY_S = 5.0
MIN_RESUME_DELAY_S = 3.0
