-- The first form. The raw readings of one commit and the black box share one table, `chunk`, without any index: a commit
-- then changes the last page of one table and nothing else. `tally` finds its chunks by their numbers.
PRAGMA application_id = 0x48644A31;
PRAGMA user_version = 1;

-- channel: the gauge, or -1 for the black box. bytes: see codec.rs.
CREATE TABLE chunk (
    id          INTEGER NOT NULL PRIMARY KEY,
    channel     INTEGER NOT NULL,
    last_seq    INTEGER NOT NULL,
    bytes       BLOB    NOT NULL
) STRICT;

-- Steady times in nanoseconds since the boot, calendar times in microseconds since 1970 UTC.
CREATE TABLE entry (
    seq         INTEGER NOT NULL PRIMARY KEY,
    kind        TEXT    NOT NULL,
    version     INTEGER NOT NULL,
    boot        INTEGER NOT NULL,
    steady      INTEGER NOT NULL,
    civil       INTEGER,
    synced      INTEGER NOT NULL,
    body        TEXT    NOT NULL
) STRICT;
CREATE INDEX entry_by_kind ON entry (kind, seq);
CREATE INDEX entry_by_time ON entry (civil);

-- gauge: null for all. seq: null for a gap that the journal itself states. The steady times are those of `boot` and null
-- for a gap that reaches across a start of the computer.
CREATE TABLE gap (
    id          INTEGER NOT NULL PRIMARY KEY,
    seq         INTEGER,
    gauge       INTEGER,
    cause       TEXT    NOT NULL,
    boot        INTEGER NOT NULL,
    steady_from INTEGER,
    steady_to   INTEGER NOT NULL,
    civil_from  INTEGER,
    civil_to    INTEGER,
    synced      INTEGER NOT NULL
) STRICT;
CREATE INDEX gap_by_time ON gap (civil_to);

-- width: 60 or 3600 seconds. start: microseconds since 1970. Levels in hundredths of a pascal.
CREATE TABLE tally (
    gauge       INTEGER NOT NULL,
    width       INTEGER NOT NULL,
    start       INTEGER NOT NULL,
    lowest      INTEGER NOT NULL,
    highest     INTEGER NOT NULL,
    total       INTEGER NOT NULL,
    count       INTEGER NOT NULL,
    quality     INTEGER NOT NULL,
    band_low    INTEGER,
    band_high   INTEGER,
    first_chunk INTEGER NOT NULL,
    last_chunk  INTEGER NOT NULL,
    PRIMARY KEY (gauge, width, start)
) STRICT, WITHOUT ROWID;

-- chunk: the first chunk of the black box after it.
CREATE TABLE snapshot (
    chunk       INTEGER NOT NULL PRIMARY KEY,
    seq         INTEGER NOT NULL,
    civil       INTEGER,
    bytes       BLOB    NOT NULL
) STRICT;

-- rolled_seq, rolled_chunk: up to where readings are in `tally`. swept_chunk: below it the black box is gone.
CREATE TABLE mark (
    name        TEXT    NOT NULL PRIMARY KEY,
    value       INTEGER NOT NULL
) STRICT, WITHOUT ROWID;
