DROP FUNCTION hold_still(uuid, text[], uuid[], bigint[], uuid[], uuid[], smallint[],
                         uuid[], text[], timestamptz[]);
DROP FUNCTION casings_on_spots(uuid, uuid[], text[], timestamptz[]);
DROP FUNCTION history_in_org(uuid, text, uuid, bigint, bigint);
DROP FUNCTION head_in_org(uuid, text, uuid);
DROP INDEX entry_refused_at;
ALTER INDEX entry_closes RENAME TO entry_retries;
ALTER TABLE entry RENAME CONSTRAINT entry_closes_entry TO entry_retries_entry;
ALTER TABLE entry RENAME COLUMN closes TO retries;
ALTER TABLE entry DROP COLUMN wheel, DROP COLUMN position;
