-- What an entry puts a casing on: a wheel, or a vehicle and its position. Filled for what is on
-- record from the bytes, which stay as they are.
ALTER TABLE entry ADD COLUMN wheel uuid, ADD COLUMN position text;
ALTER TABLE entry DISABLE TRIGGER entry_stays;
UPDATE entry SET wheel = (said.facts ->> 'wheel')::uuid
  FROM (SELECT org_id, id, convert_from(bytes, 'UTF8')::jsonb -> 'facts' AS facts
          FROM entry WHERE kind = 'mounted') AS said
 WHERE entry.org_id = said.org_id AND entry.id = said.id;
UPDATE entry SET position = (said.facts ->> 'vehicle') || ' ' || (said.facts ->> 'position')
  FROM (SELECT org_id, id, convert_from(bytes, 'UTF8')::jsonb -> 'facts' AS facts
          FROM entry WHERE kind = 'installed') AS said
 WHERE entry.org_id = said.org_id AND entry.id = said.id;
ALTER TABLE entry ENABLE ALWAYS TRIGGER entry_stays;
CREATE INDEX entry_wheel ON entry (org_id, wheel, occurred_at)
    WHERE wheel IS NOT NULL AND NOT refused;
CREATE INDEX entry_position ON entry (org_id, position, occurred_at)
    WHERE position IS NOT NULL AND NOT refused;

-- The refused entry that an entry closes: it tries it again, or says what became of it.
ALTER TABLE entry RENAME COLUMN retries TO closes;
ALTER TABLE entry RENAME CONSTRAINT entry_retries_entry TO entry_closes_entry;
ALTER INDEX entry_retries RENAME TO entry_closes;
-- What was refused, oldest first.
CREATE INDEX entry_refused_at ON entry (org_id, recorded_at, id) WHERE refused;

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
                                         WHERE again.org_id = org AND again.closes = refused.id
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

-- The casings that were put on each of these spots (a wheel, or a position) after a moment, and of
-- those before it the last, where something is known of them after that moment: all that were
-- there then or came later and are somewhere else now.
CREATE FUNCTION casings_on_spots(org uuid, wheels uuid[], positions text[], sinces timestamptz[])
    RETURNS TABLE (on_wheel uuid, at_position text, casing uuid)
    LANGUAGE sql STABLE AS $$
    SELECT spot.wheel, spot.position, subject.id
      FROM unnest(wheels, positions, sinces) AS spot (wheel, position, since)
     CROSS JOIN LATERAL (
           SELECT subject_id FROM entry
            WHERE org_id = org AND NOT refused AND entry.wheel = spot.wheel
              AND occurred_at > spot.since
           UNION
          (SELECT subject_id FROM entry
            WHERE org_id = org AND NOT refused AND entry.wheel = spot.wheel
              AND occurred_at <= spot.since
            ORDER BY occurred_at DESC FETCH FIRST 1 ROWS WITH TIES)
           UNION
           SELECT subject_id FROM entry
            WHERE org_id = org AND NOT refused AND entry.position = spot.position
              AND occurred_at > spot.since
           UNION
          (SELECT subject_id FROM entry
            WHERE org_id = org AND NOT refused AND entry.position = spot.position
              AND occurred_at <= spot.since
            ORDER BY occurred_at DESC FETCH FIRST 1 ROWS WITH TIES)) AS there
      JOIN subject ON subject.org_id = org AND subject.kind = 'casing'
                  AND subject.id = there.subject_id
     WHERE subject.occurred_at > spot.since
$$;

-- Locks what decisions stood on, in the order of its keys, and stops where it is no longer what
-- was read: where a subject has another entry, or another casing has come on one of the wheels
-- or axles or was put on one of the spots. First it waits while a transaction that was stopped
-- so, and is run again, has the organisation for itself.
CREATE FUNCTION hold_still(org uuid, kinds text[], ids uuid[], ns bigint[],
                           wheels uuid[], vehicles uuid[], axles smallint[],
                           spot_wheels uuid[], spot_positions text[], sinces timestamptz[])
    RETURNS void
    LANGUAGE plpgsql AS $$
DECLARE
    held bigint;
BEGIN
    PERFORM pg_advisory_xact_lock_shared(hashtextextended(org::text, 0));
    SELECT count(*) INTO held
      FROM (SELECT subject.n, was.n AS was_n
              FROM subject
              JOIN unnest(kinds, ids, ns) AS was (kind, id, n)
                ON subject.org_id = org AND subject.kind = was.kind AND subject.id = was.id
             ORDER BY subject.kind, subject.id
               FOR NO KEY UPDATE OF subject) AS locked
     WHERE locked.n = locked.was_n;
    -- A statement of its own: it sees what those had written who held the locks before.
    IF cardinality(ids) <> held
    OR EXISTS (
        SELECT FROM subject
         WHERE org_id = org AND wheel = ANY (wheels) AND id <> ALL (ids))
    OR EXISTS (
        SELECT FROM subject
         WHERE org_id = org AND (vehicle, axle) IN (SELECT * FROM unnest(vehicles, hold_still.axles))
           AND id <> ALL (ids))
    OR EXISTS (
        SELECT FROM casings_on_spots(org, spot_wheels, spot_positions, sinces) AS there
         WHERE there.casing <> ALL (ids))
    THEN
        RAISE EXCEPTION 'another transaction came between' USING ERRCODE = '40001';
    END IF;
END
$$;

REVOKE ALL ON FUNCTION head_in_org(uuid, text, uuid) FROM PUBLIC;
REVOKE ALL ON FUNCTION history_in_org(uuid, text, uuid, bigint, bigint) FROM PUBLIC;
REVOKE ALL ON FUNCTION casings_on_spots(uuid, uuid[], text[], timestamptz[]) FROM PUBLIC;
REVOKE ALL ON FUNCTION hold_still(uuid, text[], uuid[], bigint[], uuid[], uuid[], smallint[],
                           uuid[], text[], timestamptz[])
    FROM PUBLIC;
GRANT EXECUTE ON FUNCTION head_in_org(uuid, text, uuid) TO proofhold_service;
GRANT EXECUTE ON FUNCTION history_in_org(uuid, text, uuid, bigint, bigint) TO proofhold_service;
GRANT EXECUTE ON FUNCTION casings_on_spots(uuid, uuid[], text[], timestamptz[])
    TO proofhold_service;
GRANT EXECUTE ON FUNCTION hold_still(uuid, text[], uuid[], bigint[], uuid[], uuid[], smallint[],
                           uuid[], text[], timestamptz[])
    TO proofhold_service;

ALTER FUNCTION head_in_org(uuid, text, uuid) OWNER TO proofhold_owner;
ALTER FUNCTION history_in_org(uuid, text, uuid, bigint, bigint) OWNER TO proofhold_owner;
ALTER FUNCTION casings_on_spots(uuid, uuid[], text[], timestamptz[]) OWNER TO proofhold_owner;
ALTER FUNCTION hold_still(uuid, text[], uuid[], bigint[], uuid[], uuid[], smallint[],
                           uuid[], text[], timestamptz[])
    OWNER TO proofhold_owner;
