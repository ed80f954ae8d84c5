"""Every threshold of the analysis, with its unit and its reason."""

from dataclasses import dataclass
from typing import Final

PROOF_CYCLES: Final = 10  # that show whether a repair held


@dataclass(frozen=True)
class Settings:
    """Limits between sound and not. Ratios of pressure are compared as natural logarithms."""

    # Pressure, per channel. A channel is judged by how many of its last `window` readings lie beyond a limit, so
    # that single wild readings (one or two in a thousand, of any size) never decide.
    learning_cycles: int = 12  # cycles from which a first level is taken
    window: int = 5
    needed: int = 3
    blocked_log_ratio: float = 0.36  # 1.43 times expected: "from about 1.5 times" less a reading's own noise
    open_log_ratio: float = -0.58  # 0.56 times expected: "below about half"
    starved_log_ratio: float = -0.75  # 0.47 times expected on all channels together: a warm spell does not halve them
    # The limits of a channel whose readings hardly scatter, for a sudden change and for what is sound.
    quiet_blocked_log_ratio: float = 0.28  # 1.32 times what it was lately
    quiet_sound_log_ratio: float = 0.12
    # What creeps is held against the baseline alone, by many readings: a line that ages by 10 % in 1,000 hours stays below.
    crept_window: int = 15
    crept_needed: int = 8
    crept_blocked_log_ratio: float = 0.41  # 1.5 times expected
    crept_open_log_ratio: float = -0.62  # 0.54 times expected
    noise_of_creep: float = 0.12  # of a channel; more widens the limits of what creeps
    no_longer_blocked_log_ratio: float = (
        0.30  # 1.35 times expected: so much ends a finding, whatever its readings' scatter
    )
    no_longer_open_log_ratio: float = -0.45  # 0.64 times expected
    sound_log_ratio: float = 0.22  # within a factor of 1.25 either way a channel counts as sound again
    sigmas: float = 3.3  # a limit also lies at least this many of the channel's own standard deviations out
    at_relief: float = 0.94  # share of relief pressure from which a reading is "at relief" (valves scatter 2 %)
    impossible_over_relief: float = 1.25  # no reading can lie much above relief
    impossible_below_kpa: float = -100.0
    stuck_readings: int = 8  # identical readings in a row at least; more where the sensor's step is coarse
    missing_readings: int = 6  # cycles in a row without a reading
    # Cycles.
    missed_needed: int = 3  # of the last `missed_window` cycles that should have been
    missed_window: int = 24
    timer_mismatch: float = 0.08  # registered timers are good to 2 %; 10 % off is a mismatch
    timer_gaps: int = 7  # equal intervals in a row that prove another timer setting
    short_run: float = 0.70  # share of the run time below which a run is too short
    incomplete_needed: int = 3
    incomplete_window: int = 8
    not_vented_log_ratio: float = 0.69  # rest pressure twice its own usual value: the injectors did not reload
    stiff_below_c: float = (
        -10.0
    )  # air temperature below which grease of common grades is stiff (common practice, no source)
    # Silence.
    silent_min_h: float = 72.0
    silent_max_h: float = 204.0  # whatever the past was like, after eight days and a half somebody should know
    silent_young_h: float = 168.0  # while the history is too short to tell what is ordinary
    silent_young_days: float = 42.0
    silent_margin: float = 2.5
    # Level.
    fill_jump_pct: float = 7.0  # slosh moves readings by up to about 6 points
    level_noise_pct: float = 1.5  # until the vehicle's own readings tell
    level_sensor_needed: int = 4
    level_stuck_readings: int = 7
    level_stuck_pct: float = 4.0  # expected fall while the reading stood still
    overfill_margin_pct: float = 1.0
    low_hysteresis_pct: float = 3.0
    loss_ratio: float = 1.28
    under_ratio: float = 0.77
    use_excess_pct: float = 6.0  # of the reservoir: smaller differences drown in the sensor's own bend
    use_sigmas: float = 3.5
    use_readings: int = 3  # readings in a row that must say so
    # Ignition hours without grease from which a point cannot wait for a planned visit: about a working week (common
    # practice, no source).
    dry_act_now_h: float = 40.0
    dry_ratio: float = 0.3  # of the doses: with less the points run dry (common practice, no source)
    # Refill.
    lead_time_days: float = 7.0
    horizon_days: int = 730
    # Stretches of one trouble that pause for less than this are one finding.
    pause_h: float = 72.0


DEFAULTS = Settings()
