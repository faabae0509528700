CREATE OR REPLACE FUNCTION casings_on_spots(org uuid, wheels uuid[], positions text[],
                                            sinces timestamptz[])
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

DROP INDEX entry_position_refused;
DROP INDEX entry_wheel_refused;
DROP INDEX entry_amends;

ALTER TABLE entry DISABLE TRIGGER entry_stays;
UPDATE entry SET wheel = NULL, position = NULL WHERE kind = 'corrected';
ALTER TABLE entry ENABLE ALWAYS TRIGGER entry_stays;
