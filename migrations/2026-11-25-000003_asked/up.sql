-- What is asked most, each in one statement: the organisation is set inside, for this statement
-- alone, so that nothing needs a transaction around it. Whoever asks is the role of the service,
-- whom row-level security binds.

CREATE FUNCTION head_in_org(org uuid, of_kind text, of_id uuid)
    RETURNS TABLE (kind text, id uuid, n bigint, last_entry uuid, recorded_at timestamptz,
                   occurred_at timestamptz, state jsonb, open_refusals uuid[])
    LANGUAGE plpgsql AS $$
#variable_conflict use_column
BEGIN
    PERFORM set_config('app.org', org::text, true);
    RETURN QUERY
        SELECT kind, id, n, last_entry, recorded_at, occurred_at, state,
               ARRAY(SELECT refused.id FROM entry refused
                      WHERE refused.org_id = org AND refused.subject_kind = of_kind
                        AND refused.subject_id = of_id AND refused.refused
                        AND NOT EXISTS (SELECT FROM entry again
                                         WHERE again.org_id = org AND again.retries = refused.id
                                           AND NOT again.refused)
                      ORDER BY refused.n)
          FROM subject
         WHERE org_id = org AND kind = of_kind AND id = of_id;
END
$$;

CREATE FUNCTION history_in_org(org uuid, of_kind text, of_id uuid, after_n bigint, most bigint)
    RETURNS TABLE (bytes bytea, personal bytea)
    LANGUAGE plpgsql AS $$
#variable_conflict use_column
BEGIN
    PERFORM set_config('app.org', org::text, true);
    RETURN QUERY
        SELECT entry.bytes, personal.bytes
          FROM entry
          LEFT JOIN personal ON personal.org_id = org AND personal.entry_id = entry.id
         WHERE entry.org_id = org AND entry.subject_kind = of_kind
           AND entry.subject_id = of_id AND entry.n > after_n
           -- A subject of which every entry was refused is not known of.
           AND EXISTS (SELECT FROM subject
                        WHERE subject.org_id = org AND subject.kind = of_kind
                          AND subject.id = of_id AND subject.state IS NOT NULL)
         ORDER BY entry.n
         LIMIT most;
END
$$;

-- Locks what decisions stood on, in the order of its keys, and stops where it is no longer what
-- was read: where a subject has another entry, or another casing has come on one of the wheels
-- or axles. First it waits while a transaction that was stopped so, and is run again, has the
-- organisation for itself.
CREATE FUNCTION hold_still(org uuid, kinds text[], ids uuid[], ns bigint[],
                           wheels uuid[], vehicles uuid[], axles smallint[])
    RETURNS void
    LANGUAGE plpgsql AS $$
BEGIN
    PERFORM pg_advisory_xact_lock_shared(hashtextextended(org::text, 0));
    IF cardinality(ids) <> (
        SELECT count(*)
          FROM (SELECT subject.n, was.n AS was_n
                  FROM subject
                  JOIN unnest(kinds, ids, ns) AS was (kind, id, n)
                    ON subject.org_id = org AND subject.kind = was.kind AND subject.id = was.id
                 ORDER BY subject.kind, subject.id
                   FOR NO KEY UPDATE OF subject) AS locked
         WHERE locked.n = locked.was_n)
    OR EXISTS (
        SELECT FROM subject
         WHERE org_id = org AND wheel = ANY (wheels) AND id <> ALL (ids))
    OR EXISTS (
        SELECT FROM subject
         WHERE org_id = org AND (vehicle, axle) IN (SELECT * FROM unnest(vehicles, hold_still.axles))
           AND id <> ALL (ids))
    THEN
        RAISE EXCEPTION 'another transaction came between' USING ERRCODE = '40001';
    END IF;
END
$$;

REVOKE ALL ON FUNCTION head_in_org(uuid, text, uuid) FROM PUBLIC;
REVOKE ALL ON FUNCTION history_in_org(uuid, text, uuid, bigint, bigint) FROM PUBLIC;
REVOKE ALL ON FUNCTION hold_still(uuid, text[], uuid[], bigint[], uuid[], uuid[], smallint[])
    FROM PUBLIC;
GRANT EXECUTE ON FUNCTION head_in_org(uuid, text, uuid) TO proofhold_service;
GRANT EXECUTE ON FUNCTION history_in_org(uuid, text, uuid, bigint, bigint) TO proofhold_service;
GRANT EXECUTE ON FUNCTION hold_still(uuid, text[], uuid[], bigint[], uuid[], uuid[], smallint[])
    TO proofhold_service;

ALTER FUNCTION head_in_org(uuid, text, uuid) OWNER TO proofhold_owner;
ALTER FUNCTION history_in_org(uuid, text, uuid, bigint, bigint) OWNER TO proofhold_owner;
ALTER FUNCTION hold_still(uuid, text[], uuid[], bigint[], uuid[], uuid[], smallint[])
    OWNER TO proofhold_owner;
