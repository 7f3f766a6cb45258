-- The log of one run. Every row is stamped with the sample index of the
-- stream and its time (sample index over sample rate, from the first sample).
-- Frequencies are absolute bare resonances in Hz, amplitudes are peak values
-- in metres (in sample units where the stream is uncalibrated), angles are in
-- radians; a *_sigma column is one standard deviation. NULL means unknown.

PRAGMA application_id = 1148481390;  -- "Dton": tells a log from other databases

CREATE TABLE run (                   -- exactly one row
    format_version  INTEGER NOT NULL,
    started         TEXT NOT NULL,   -- wall clock in UTC, ISO 8601; '' where it was not stamped
    settings        TEXT NOT NULL,   -- JSON: the configuration of the run
    stream          TEXT NOT NULL,   -- JSON: the members of StreamFormat
    tones           TEXT NOT NULL,   -- JSON: channel name -> the members of ToneChannel
    piece           INTEGER NOT NULL,    -- of a long log, from 1; the next one is in a file of its own
    carried_tones   INTEGER NOT NULL,    -- so many of the first tones and events repeat what the piece
    carried_events  INTEGER NOT NULL,    --   before has: what was in force when this one began
    outcome         TEXT,            -- 'done', 'failed', 'interrupted', of a piece 'continued';
                                     -- NULL: running, or killed
    reason          TEXT NOT NULL DEFAULT ''
);

CREATE TABLE records (               -- the loop at one sample index, ten a second by default
    sample_index                INTEGER PRIMARY KEY,
    time_s                      REAL NOT NULL,
    difference_hz               REAL,
    difference_sigma_hz         REAL,
    difference_innovation_ratio REAL,    -- mean squared normalised innovation, 1 expected
    difference_source           TEXT NOT NULL,  -- trackers or observer: where the difference comes from
    drift_ratio                 REAL,    -- d(upper)/d(lower) as learnt
    drift_ratio_sigma           REAL,
    pump_hz                     REAL,
    pump_amplitude              REAL NOT NULL,   -- in the channel's unit
    pump_state                  TEXT NOT NULL,   -- off, armed, on, muted
    lower_state                 TEXT NOT NULL,   -- searching, pulling_in, locked, holding, lost
    lower_frequency_hz          REAL,
    lower_frequency_sigma_hz    REAL,
    lower_amplitude             REAL,
    lower_amplitude_sigma       REAL,
    lower_phase_error_rad       REAL,
    lower_phase_sigma_rad       REAL,
    lower_snr_db                REAL,
    lower_innovation_ratio      REAL,
    lower_loop_bandwidth_hz     REAL,
    lower_decay_time_s          REAL,    -- amplitude falls as exp(-t/decay_time_s)
    lower_decay_time_sigma_s    REAL,
    lower_cycle_slips           INTEGER NOT NULL,
    lower_drive_amplitude       REAL NOT NULL,   -- in the channel's unit
    upper_state                 TEXT NOT NULL,
    upper_frequency_hz          REAL,
    upper_frequency_sigma_hz    REAL,
    upper_amplitude             REAL,
    upper_amplitude_sigma       REAL,
    upper_phase_error_rad       REAL,
    upper_phase_sigma_rad       REAL,
    upper_snr_db                REAL,
    upper_innovation_ratio      REAL,
    upper_loop_bandwidth_hz     REAL,
    upper_decay_time_s          REAL,
    upper_decay_time_sigma_s    REAL,
    upper_cycle_slips           INTEGER NOT NULL,
    upper_drive_amplitude       REAL NOT NULL
);

CREATE TABLE basebands (             -- both modes and all tones of an update, where a protocol records
    sample_index     INTEGER PRIMARY KEY,
    time_s           REAL NOT NULL,
    duration_s       REAL NOT NULL,  -- averaging time
    lower_real       REAL NOT NULL,  -- mean baseband against the fixed reference: modes.lower.frequency_hz
    lower_imag       REAL NOT NULL,
    upper_real       REAL NOT NULL,
    upper_imag       REAL NOT NULL,
    pump_amplitude   REAL NOT NULL,  -- in the channel's unit, 0 while off
    pump_phase_rad   REAL NOT NULL,  -- against upper less lower reference
    drive_lower_real REAL NOT NULL,  -- drive tones against the references, in the channel's unit
    drive_lower_imag REAL NOT NULL,
    drive_upper_real REAL NOT NULL,
    drive_upper_imag REAL NOT NULL
);

CREATE TABLE sections (              -- steps of a protocol as they were carried out
    number      INTEGER NOT NULL,    -- of the step, from 1
    name        TEXT NOT NULL,
    kind        TEXT NOT NULL,       -- ring_up, pump_on, record, ...
    parameters  TEXT NOT NULL,       -- JSON
    start_s     REAL NOT NULL,
    end_s       REAL NOT NULL,
    completed   INTEGER NOT NULL,    -- 0: interrupted, skipped or stopped
    attempt     INTEGER NOT NULL,    -- 1: the first
    reason      TEXT NOT NULL        -- why it was not completed
);

CREATE TABLE events (                -- what happened, in the order in which it happened
    sample_index  INTEGER NOT NULL,
    time_s        REAL NOT NULL,
    source        TEXT NOT NULL,     -- lower, upper, pump, stream, run, search
    kind          TEXT NOT NULL,     -- e.g. state, mute, interlock_open, gap, overload
    text          TEXT NOT NULL      -- the reason in words
);

CREATE TABLE tones (                 -- every tone command: as asked, and as really set
    sample_index        INTEGER NOT NULL,   -- end of the stream read when it was commanded
    time_s              REAL NOT NULL,
    channel             TEXT NOT NULL,
    asked_at_sample     INTEGER NOT NULL,
    asked_frequency_hz  REAL NOT NULL,
    asked_amplitude     REAL NOT NULL,
    asked_phase_rad     REAL,               -- NULL: the phase goes on
    asked_chirp_hz_per_s REAL NOT NULL,
    asked_ramp_s        REAL NOT NULL,
    set_at_sample       INTEGER,            -- all set_* NULL: refused, the channel keeps what it had
    set_frequency_hz    REAL,
    set_amplitude       REAL,
    set_phase_rad       REAL,
    set_chirp_hz_per_s  REAL,
    set_ramp_s          REAL,
    waveform            TEXT NOT NULL,
    pulse_s             REAL NOT NULL,
    reason              TEXT NOT NULL       -- why it was commanded, or why it was refused
);

CREATE TABLE allan (                 -- running Allan deviation at octave spacing
    sample_index  INTEGER NOT NULL,
    time_s        REAL NOT NULL,
    series        TEXT NOT NULL,     -- difference, lower, upper; predicted: of the difference, by the noise model
    tau_s         REAL NOT NULL,
    deviation_hz  REAL,
    sigma_hz      REAL
);
CREATE INDEX allan_series ON allan (series, sample_index);

CREATE TABLE results (               -- one row per protocol step or fit
    name   TEXT PRIMARY KEY,
    value  TEXT NOT NULL             -- JSON; NAME and NAME_sigma stand side by side
);

CREATE VIEW tracks AS                -- the columns of tracks.csv
SELECT time_s,
       lower_frequency_hz       AS lower_hz,
       lower_frequency_sigma_hz AS lower_sigma_hz,
       lower_amplitude,
       lower_state,
       upper_frequency_hz       AS upper_hz,
       upper_frequency_sigma_hz AS upper_sigma_hz,
       upper_amplitude,
       upper_state,
       difference_hz,
       difference_sigma_hz,
       pump_hz,
       pump_amplitude,
       pump_state
FROM records ORDER BY sample_index;
