-- The logbook, schema version 1. docs/logbook.md tells what each column means.
-- Times called *_wall_s are seconds since 1970-01-01 UTC by the host's clock.
CREATE TABLE run (
  number INTEGER PRIMARY KEY AUTOINCREMENT,
  name TEXT NOT NULL,
  token TEXT NOT NULL UNIQUE,        -- names the lock file beside the logbook
  started_wall_s REAL NOT NULL,
  ended TEXT,                        -- time, closed, asked, error, …; NULL: no end was written
  ended_wall_s REAL,
  bench_name TEXT NOT NULL,
  bench_text TEXT NOT NULL,          -- the bench file as it was
  bench_path TEXT NOT NULL,
  device TEXT NOT NULL,
  description TEXT NOT NULL,         -- the device's description as it came
  port TEXT NOT NULL,
  wire TEXT NOT NULL,
  version TEXT NOT NULL,             -- of the program that recorded
  summary TEXT                       -- JSON, written with the end
);
CREATE TABLE scan_group (
  run INTEGER NOT NULL REFERENCES run(number) ON DELETE CASCADE,
  number INTEGER NOT NULL,
  rate_hz REAL,                      -- nominal; NULL: unknown
  code TEXT NOT NULL,                -- u12, u16, i16, i32, text, …
  held_as TEXT NOT NULL,             -- numpy type of one raw code: <u2, <i2, <i4, <i8, <f4
  bits INTEGER,
  burst INTEGER,
  counted INTEGER NOT NULL,          -- 1: the wire has a counter, so loss can be counted
  PRIMARY KEY (run, number)
) WITHOUT ROWID;
CREATE TABLE channel (
  run INTEGER NOT NULL REFERENCES run(number) ON DELETE CASCADE,
  scan_group INTEGER NOT NULL,
  position INTEGER NOT NULL,         -- in the scan, from 0
  name TEXT NOT NULL,
  shown_name TEXT NOT NULL,          -- as the device wrote it; may hold anything
  role TEXT NOT NULL,                -- code, clock
  decimals INTEGER NOT NULL,         -- value = code / 10^decimals
  PRIMARY KEY (run, scan_group, position)
) WITHOUT ROWID;
CREATE TABLE segment (
  run INTEGER NOT NULL REFERENCES run(number) ON DELETE CASCADE,
  scan_group INTEGER NOT NULL,
  first INTEGER NOT NULL,            -- scan index
  start_s REAL NOT NULL,             -- its time, seconds from the run's first scan
  rate_hz REAL,
  PRIMARY KEY (run, scan_group, first)
) WITHOUT ROWID;
CREATE TABLE tail (
  id INTEGER PRIMARY KEY,
  run INTEGER NOT NULL REFERENCES run(number) ON DELETE CASCADE,
  scan_group INTEGER NOT NULL,
  first INTEGER NOT NULL,
  scans INTEGER NOT NULL,
  crc32 INTEGER NOT NULL,            -- of codes
  codes BLOB NOT NULL,               -- raw, interleaved in channel order
  clock BLOB                         -- raw int64 ticks, or NULL
);
CREATE INDEX tail_place ON tail (run, scan_group, first, scans);
CREATE TABLE block (
  id INTEGER PRIMARY KEY,
  run INTEGER NOT NULL REFERENCES run(number) ON DELETE CASCADE,
  scan_group INTEGER NOT NULL,
  position INTEGER NOT NULL,         -- of the channel
  first INTEGER NOT NULL,
  scans INTEGER NOT NULL,
  encoding TEXT NOT NULL,            -- flac16, flac24, delta, float
  base INTEGER NOT NULL,             -- code = decoded + base
  crc32 INTEGER NOT NULL,            -- of the raw codes, little-endian, as held
  data BLOB NOT NULL
);
CREATE INDEX block_place ON block (run, scan_group, position, first, scans);
CREATE TABLE pyramid (
  id INTEGER PRIMARY KEY,
  run INTEGER NOT NULL REFERENCES run(number) ON DELETE CASCADE,
  scan_group INTEGER NOT NULL,
  position INTEGER NOT NULL,
  level INTEGER NOT NULL,            -- one entry sums up 64 * 16^(level-1) scans
  first INTEGER NOT NULL,            -- the page begins here and spans 512 entries
  entries INTEGER NOT NULL,          -- of which so many hold scans
  data BLOB NOT NULL
);
CREATE UNIQUE INDEX pyramid_place ON pyramid (run, scan_group, position, level, first);
CREATE TABLE gap (
  id INTEGER PRIMARY KEY,
  run INTEGER NOT NULL REFERENCES run(number) ON DELETE CASCADE,
  scan_group INTEGER NOT NULL,
  first INTEGER NOT NULL,            -- index of the first lost scan
  scans INTEGER,                     -- NULL: cannot be counted
  cause TEXT NOT NULL,               -- wire, outage, host, burst
  wall_s REAL
);
CREATE INDEX gap_place ON gap (run, scan_group, first);
CREATE TABLE restart (
  id INTEGER PRIMARY KEY,
  run INTEGER NOT NULL REFERENCES run(number) ON DELETE CASCADE,
  scan_group INTEGER,
  scan INTEGER NOT NULL,
  last_counter INTEGER,
  first_counter INTEGER,
  wall_s REAL
);
CREATE INDEX restart_run ON restart (run);
CREATE TABLE fault (
  run INTEGER NOT NULL REFERENCES run(number) ON DELETE CASCADE,
  wall_s INTEGER NOT NULL,           -- the second it was seen in
  kind TEXT NOT NULL,
  count INTEGER NOT NULL,
  PRIMARY KEY (run, wall_s, kind)
) WITHOUT ROWID;
CREATE TABLE event (
  run INTEGER NOT NULL REFERENCES run(number) ON DELETE CASCADE,
  revision INTEGER NOT NULL,         -- 0: found live; higher: found again with a corrected chain
  number INTEGER NOT NULL,
  kind TEXT NOT NULL,
  channel TEXT NOT NULL,
  scan_group INTEGER NOT NULL,
  rule INTEGER NOT NULL,
  start_scan INTEGER NOT NULL,
  end_scan INTEGER,                  -- inclusive; NULL: still open
  peak REAL,
  peak_scan INTEGER NOT NULL,
  peak_at_least INTEGER NOT NULL,
  limit_value REAL,
  unit TEXT NOT NULL,
  text TEXT NOT NULL,
  lost_scans INTEGER NOT NULL,
  cut_short INTEGER NOT NULL,
  details TEXT NOT NULL,             -- JSON
  PRIMARY KEY (run, revision, number)
);
CREATE TABLE note (
  id INTEGER PRIMARY KEY,
  run INTEGER NOT NULL REFERENCES run(number) ON DELETE CASCADE,
  wall_s REAL NOT NULL,
  scan INTEGER,                      -- of group 0, where known
  source TEXT NOT NULL,              -- device, user, page
  text TEXT NOT NULL
);
CREATE INDEX note_run ON note (run);
CREATE TABLE outage (
  run INTEGER NOT NULL REFERENCES run(number) ON DELETE CASCADE,
  began_wall_s REAL NOT NULL,
  ended_wall_s REAL,                 -- NULL: not over yet
  cause TEXT NOT NULL,
  PRIMARY KEY (run, began_wall_s)
) WITHOUT ROWID;
CREATE TABLE rate (
  run INTEGER NOT NULL REFERENCES run(number) ON DELETE CASCADE,
  scan_group INTEGER NOT NULL,
  value_hz REAL NOT NULL,            -- fitted scan rate
  u_random_hz REAL NOT NULL,
  u_systematic_hz REAL NOT NULL,
  PRIMARY KEY (run, scan_group)
) WITHOUT ROWID;
CREATE TABLE health (
  run INTEGER PRIMARY KEY REFERENCES run(number) ON DELETE CASCADE,
  wall_s REAL NOT NULL,              -- of the recorder's latest commit
  figures TEXT NOT NULL              -- JSON
);
CREATE TABLE calibration (
  id INTEGER PRIMARY KEY,
  wall_s REAL NOT NULL,
  kind TEXT NOT NULL,                -- zero
  bench_name TEXT NOT NULL,
  device TEXT NOT NULL,
  channel TEXT NOT NULL,
  zero_code REAL NOT NULL,
  u_codes REAL NOT NULL,             -- standard uncertainty
  scans INTEGER NOT NULL             -- so many were averaged
);
CREATE INDEX calibration_place ON calibration (bench_name, device, channel, wall_s);
CREATE TABLE request (
  id INTEGER PRIMARY KEY,
  run INTEGER NOT NULL REFERENCES run(number) ON DELETE CASCADE,
  asked_wall_s REAL NOT NULL,
  kind TEXT NOT NULL,                -- stop, note, zero, walk
  text TEXT NOT NULL,
  answered_wall_s REAL,              -- NULL: waiting
  answer TEXT
);
CREATE INDEX request_waiting ON request (run) WHERE answered_wall_s IS NULL;
