-- The first form. The raw readings of one commit and the black box share one table, `chunk`, without any index: a commit
-- then changes the last page of one table and nothing else. `tally` finds its chunks by their numbers.
-- Table for table and column for column the same as for SQLite.

-- channel: the gauge, or -1 for the black box. bytes: see codec.rs.
CREATE TABLE chunk (
    id          BIGINT  NOT NULL PRIMARY KEY,
    channel     BIGINT  NOT NULL,
    last_seq    BIGINT  NOT NULL,
    bytes       BYTEA   NOT NULL
);

-- Steady times in nanoseconds since the boot, calendar times in microseconds since 1970 UTC.
CREATE TABLE entry (
    seq         BIGINT  NOT NULL PRIMARY KEY,
    kind        TEXT    NOT NULL,
    version     BIGINT  NOT NULL,
    boot        BIGINT  NOT NULL,
    steady      BIGINT  NOT NULL,
    civil       BIGINT,
    synced      BIGINT  NOT NULL,
    body        TEXT    NOT NULL
);
CREATE INDEX entry_by_kind ON entry (kind, seq);
CREATE INDEX entry_by_time ON entry (civil);

-- gauge: null for all. seq: null for a gap that the journal itself states. The steady times are those of `boot` and null
-- for a gap that reaches across a start of the computer.
CREATE TABLE gap (
    id          BIGINT  NOT NULL PRIMARY KEY,
    seq         BIGINT,
    gauge       BIGINT,
    cause       TEXT    NOT NULL,
    boot        BIGINT  NOT NULL,
    steady_from BIGINT,
    steady_to   BIGINT  NOT NULL,
    civil_from  BIGINT,
    civil_to    BIGINT,
    synced      BIGINT  NOT NULL
);
CREATE INDEX gap_by_time ON gap (civil_to);

-- width: 60 or 3600 seconds. start: microseconds since 1970. Levels in hundredths of a pascal.
CREATE TABLE tally (
    gauge       BIGINT  NOT NULL,
    width       BIGINT  NOT NULL,
    start       BIGINT  NOT NULL,
    lowest      BIGINT  NOT NULL,
    highest     BIGINT  NOT NULL,
    total       BIGINT  NOT NULL,
    count       BIGINT  NOT NULL,
    quality     BIGINT  NOT NULL,
    band_low    BIGINT,
    band_high   BIGINT,
    first_chunk BIGINT  NOT NULL,
    last_chunk  BIGINT  NOT NULL,
    PRIMARY KEY (gauge, width, start)
);

-- chunk: the first chunk of the black box after it.
CREATE TABLE snapshot (
    chunk       BIGINT  NOT NULL PRIMARY KEY,
    seq         BIGINT  NOT NULL,
    civil       BIGINT,
    bytes       BYTEA   NOT NULL
);

-- rolled_seq, rolled_chunk: up to where readings are in `tally`. swept_chunk: below it the black box is gone.
CREATE TABLE mark (
    name        TEXT    NOT NULL PRIMARY KEY,
    value       BIGINT  NOT NULL
);
