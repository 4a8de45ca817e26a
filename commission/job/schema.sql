-- The log of one job. Rows are only ever added: the triggers refuse everything else.
CREATE TABLE event (
  seq   INTEGER PRIMARY KEY,
  at    TEXT NOT NULL,                            -- UTC, ISO 8601 with milliseconds
  kind  TEXT NOT NULL,
  body  TEXT NOT NULL,                            -- canonical JSON
  blob  TEXT REFERENCES blob (sha256),            -- the recording that belongs to the event
  prev  BLOB NOT NULL,                            -- digest of the row before; empty for the first
  hash  BLOB NOT NULL                             -- see the recipe in job/store.py
) STRICT;
CREATE TABLE blob (
  sha256  TEXT NOT NULL UNIQUE,                   -- hex digest of the data
  data    BLOB NOT NULL
) STRICT;
CREATE TRIGGER event_no_update BEFORE UPDATE ON event BEGIN SELECT RAISE(ABORT, 'the log is append-only'); END;
CREATE TRIGGER event_no_delete BEFORE DELETE ON event BEGIN SELECT RAISE(ABORT, 'the log is append-only'); END;
CREATE TRIGGER event_in_order BEFORE INSERT ON event
  WHEN NEW.seq IS NOT (SELECT coalesce(max(seq), 0) + 1 FROM event)
  BEGIN SELECT RAISE(ABORT, 'out of order'); END;  -- also refuses INSERT OR REPLACE, which deletes without a trigger
CREATE TRIGGER blob_no_update BEFORE UPDATE ON blob BEGIN SELECT RAISE(ABORT, 'the log is append-only'); END;
CREATE TRIGGER blob_no_delete BEFORE DELETE ON blob BEGIN SELECT RAISE(ABORT, 'the log is append-only'); END;
CREATE TRIGGER blob_no_replace BEFORE INSERT ON blob
  WHEN EXISTS (SELECT 1 FROM blob WHERE sha256 = NEW.sha256)
  BEGIN SELECT RAISE(ABORT, 'stored already'); END;
