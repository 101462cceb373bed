-- Schema 2: what people have begun to say of a span and not yet said (desk/drafts.py).

CREATE TABLE draft (                -- acts on a draft, in order; only ever added to
  id          INTEGER PRIMARY KEY AUTOINCREMENT,
  span        INTEGER NOT NULL REFERENCES span (row),
  who         TEXT NOT NULL CHECK (length(who) > 0),
  at          TEXT NOT NULL,
  act         TEXT NOT NULL CHECK (act IN ('set', 'type', 'undo', 'redo', 'close')),
  content     TEXT CHECK (content IS NULL OR json_valid(content))
) STRICT;
CREATE INDEX draft_span ON draft (span, who, id);

CREATE TRIGGER draft_kept BEFORE UPDATE ON draft
BEGIN SELECT RAISE(ABORT, 'drafts are never altered'); END;
CREATE TRIGGER draft_stays BEFORE DELETE ON draft
BEGIN SELECT RAISE(ABORT, 'drafts are never deleted'); END;
