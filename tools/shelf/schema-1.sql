-- Schema 1 of the shelf; store.py explains how the tables hang together.
-- JSON columns hold one object or list as text. Times are UTC, ISO 8601. Paths are POSIX.

CREATE TABLE media (                -- a photo or video, known by its content
  id          INTEGER PRIMARY KEY,
  sha256      TEXT NOT NULL UNIQUE, -- of the whole file, hexadecimal
  bytes       INTEGER NOT NULL,
  kind        TEXT NOT NULL CHECK (kind IN ('photo', 'video')),
  width       INTEGER NOT NULL,     -- upright pixels
  height      INTEGER NOT NULL,
  duration_s  REAL,
  frames      INTEGER,
  credit      TEXT NOT NULL DEFAULT '',
  licence     TEXT NOT NULL DEFAULT ''
) STRICT;
CREATE INDEX media_bytes ON media (bytes);

CREATE TABLE place (                -- where such a file lies
  path        TEXT PRIMARY KEY,     -- relative to the shelf's folder where that can be said
  media       INTEGER NOT NULL REFERENCES media (id),
  bytes       INTEGER NOT NULL,
  mtime_ns    INTEGER NOT NULL
) STRICT;
CREATE INDEX place_media ON place (media);

CREATE TABLE reading (              -- what the machine read in a file; never altered
  id          INTEGER PRIMARY KEY,
  media       INTEGER NOT NULL REFERENCES media (id),
  recipe      TEXT NOT NULL,        -- digest of reader, book, hints and ways of cutting
  reader      TEXT NOT NULL,        -- version of the program and of what it reads with
  book        TEXT NOT NULL,        -- path of the book, relative to the shelf
  book_title  TEXT NOT NULL,
  hints       TEXT NOT NULL CHECK (json_valid(hints)),
  folder      TEXT NOT NULL,        -- where its clips and pictures lie, relative to the shelf
  document    TEXT NOT NULL CHECK (json_valid(document)),
  made_at     TEXT NOT NULL,
  UNIQUE (media, recipe)
) STRICT;

CREATE TABLE span (                 -- what one mast showed for one stretch of time
  row         INTEGER PRIMARY KEY,
  id          TEXT NOT NULL UNIQUE, -- twelve letters and digits; what people call it by
  media       INTEGER NOT NULL REFERENCES media (id),
  reading     INTEGER NOT NULL REFERENCES reading (id), -- the newest that knows it
  origin      TEXT NOT NULL CHECK (origin IN ('machine', 'person')),
  -- columns of the view, to find by; the rows are short, so that all can be looked through
  hidden      INTEGER NOT NULL,
  mast        INTEGER NOT NULL,
  start_s     REAL,
  end_s       REAL,
  aspect      TEXT NOT NULL COLLATE NOCASE,      -- heads in words, top to bottom
  heads       INTEGER NOT NULL,
  plates      TEXT NOT NULL,        -- 'unknown', 'none', or names joined by blanks
  status      TEXT NOT NULL,
  rule        TEXT COLLATE NOCASE,
  name        TEXT COLLATE NOCASE,
  safest      TEXT NOT NULL,        -- the fail-safe answer
  sure        REAL NOT NULL,        -- odds of the name; 1 where a person vouches; 0 if none
  light       TEXT NOT NULL,
  verdict     TEXT,                 -- what a person said: confirmed, corrected, withheld
  who         TEXT,
  clip        TEXT                  -- relative to the shelf; the photo itself for a photo
) STRICT;
CREATE INDEX span_media ON span (media, mast, start_s);
CREATE INDEX span_name ON span (name) WHERE hidden = 0;
CREATE INDEX span_rule ON span (rule) WHERE hidden = 0;
CREATE INDEX span_aspect ON span (aspect) WHERE hidden = 0;
CREATE INDEX span_verdict ON span (verdict) WHERE hidden = 0 AND verdict IS NOT NULL;
-- All fields to find by in the order of the answers: most queries need no more than this.
CREATE INDEX span_fields ON span (
  sure DESC, row, hidden, light, heads, name, rule, status, aspect, verdict, media, plates, who
) WHERE hidden = 0;

CREATE TABLE seen (                 -- a span in full
  span        INTEGER PRIMARY KEY REFERENCES span (row),
  base        TEXT NOT NULL CHECK (json_valid(base)),   -- the machine's view
  view        TEXT NOT NULL CHECK (json_valid(view))    -- with all changes in force
) STRICT;

CREATE TABLE flash (                -- rates of the flashing heads of a view
  span        INTEGER NOT NULL REFERENCES span (row) ON DELETE CASCADE,
  hz          REAL NOT NULL
) STRICT;
CREATE INDEX flash_hz ON flash (hz, span);
CREATE INDEX flash_span ON flash (span);

CREATE VIRTUAL TABLE words USING fts5 (body, tokenize = "unicode61 remove_diacritics 2");

CREATE TABLE change (               -- what people did, in order; only ever added to
  id          INTEGER PRIMARY KEY AUTOINCREMENT,
  who         TEXT NOT NULL CHECK (length(who) > 0),
  at          TEXT NOT NULL,
  act         TEXT NOT NULL,
  undoes      INTEGER REFERENCES change (id)
) STRICT;
CREATE INDEX change_undoes ON change (undoes) WHERE undoes IS NOT NULL;

CREATE TABLE patch (                -- what a change says of one span
  change      INTEGER NOT NULL REFERENCES change (id),
  span        INTEGER NOT NULL REFERENCES span (row),
  patch       TEXT NOT NULL CHECK (json_valid(patch)),
  PRIMARY KEY (change, span)
) STRICT, WITHOUT ROWID;
CREATE INDEX patch_span ON patch (span);

CREATE TABLE finding (              -- what `shelf check` noticed last
  span        INTEGER REFERENCES span (row) ON DELETE CASCADE,
  media       INTEGER NOT NULL REFERENCES media (id),
  kind        TEXT NOT NULL,
  words       TEXT NOT NULL
) STRICT;
CREATE INDEX finding_span ON finding (span);

CREATE TRIGGER change_kept BEFORE UPDATE ON change
BEGIN SELECT RAISE(ABORT, 'what people did is never altered'); END;
CREATE TRIGGER change_stays BEFORE DELETE ON change
BEGIN SELECT RAISE(ABORT, 'what people did is never deleted'); END;
CREATE TRIGGER patch_kept BEFORE UPDATE ON patch
BEGIN SELECT RAISE(ABORT, 'what people did is never altered'); END;
CREATE TRIGGER patch_stays BEFORE DELETE ON patch
BEGIN SELECT RAISE(ABORT, 'what people did is never deleted'); END;
CREATE TRIGGER reading_kept BEFORE UPDATE ON reading
BEGIN SELECT RAISE(ABORT, 'a reading is never altered'); END;
CREATE TRIGGER reading_stays BEFORE DELETE ON reading
BEGIN SELECT RAISE(ABORT, 'a reading is never deleted'); END;
