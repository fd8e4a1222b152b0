-- What each shot that was read holds, named by a digest, so that the same content is known again in any other ticket.

CREATE TABLE shot_content (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    run INTEGER NOT NULL REFERENCES run (id),
    address TEXT NOT NULL, -- of the outcome that read the shot
    ticket TEXT NOT NULL,
    shot TEXT NOT NULL,
    digest TEXT NOT NULL, -- empty for a shot that holds nothing to know it by
    -- made of the row itself: the chain covers every value, and no row need be read to see whether it fits its hash
    hash TEXT NOT NULL GENERATED ALWAYS AS
        (address || '|' || ticket || '|' || length(digest) || '|' || digest || '|' || shot) VIRTUAL
) STRICT;
CREATE INDEX shot_content_by_digest ON shot_content (digest, ticket, shot) WHERE digest != '';
CREATE INDEX shot_content_by_address ON shot_content (address);
CREATE INDEX shot_content_by_run ON shot_content (run);

CREATE TRIGGER shot_content_no_update BEFORE UPDATE ON shot_content BEGIN SELECT RAISE(ABORT, 'the ledger is append-only'); END;
CREATE TRIGGER shot_content_no_delete BEFORE DELETE ON shot_content BEGIN SELECT RAISE(ABORT, 'the ledger is append-only'); END;
