-- Look-ups by an index in place of reading every manifest: by a folder's name, and by the raw files of a ticket.

CREATE INDEX manifest_by_folder_name ON manifest (substr(folder, 1 + length(rtrim(folder, replace(folder, '/', '')))));

CREATE TABLE raw_file (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    run INTEGER NOT NULL REFERENCES run (id),
    ticket TEXT NOT NULL,
    sha256 TEXT NOT NULL,
    -- made of the row itself: the chain covers every value
    hash TEXT NOT NULL GENERATED ALWAYS AS (ticket || '|' || sha256) VIRTUAL
) STRICT;
INSERT INTO raw_file (run, ticket, sha256)
    SELECT min(run), ticket, json_extract(shot.value, '$.fields.sha256') AS named FROM manifest,
        json_each(manifest.record, '$.fields.shots.tuple') AS shot
    WHERE ticket != '' AND named IS NOT NULL GROUP BY ticket, named ORDER BY min(manifest.id), named;
CREATE INDEX raw_file_by_sha256 ON raw_file (sha256, ticket);
CREATE INDEX raw_file_by_run ON raw_file (run);

CREATE TRIGGER raw_file_no_update BEFORE UPDATE ON raw_file BEGIN SELECT RAISE(ABORT, 'the ledger is append-only'); END;
CREATE TRIGGER raw_file_no_delete BEFORE DELETE ON raw_file BEGIN SELECT RAISE(ABORT, 'the ledger is append-only'); END;
