-- What a correction says that a casing was put on, beside what the first facts say.
ALTER TABLE entry DISABLE TRIGGER entry_stays;
UPDATE entry SET wheel = (said.facts ->> 'wheel')::uuid,
                 position = (said.facts ->> 'vehicle')::uuid || ' ' || (said.facts ->> 'position')
  FROM (SELECT org_id, id, convert_from(bytes, 'UTF8')::jsonb -> 'facts' -> 'facts' AS facts
          FROM entry WHERE kind = 'corrected') AS said
 WHERE entry.org_id = said.org_id AND entry.id = said.id;
ALTER TABLE entry ENABLE ALWAYS TRIGGER entry_stays;

-- The casings of which entries were changed afterwards, and what was refused and did happen.
CREATE INDEX entry_amends ON entry (org_id, subject_id)
    WHERE kind IN ('corrected', 'resolved') AND NOT refused;
CREATE INDEX entry_wheel_refused ON entry (org_id, wheel) WHERE wheel IS NOT NULL AND refused;
CREATE INDEX entry_position_refused ON entry (org_id, position)
    WHERE position IS NOT NULL AND refused;

-- The casings that can have been on each of these spots (a wheel, or a position) after a moment:
-- those that were put there later, and of those before it the last whose entries were never
-- changed afterwards; of the others all that any entry puts there, for when it counts is not
-- when it says. Only those of which something is known after that moment.
CREATE OR REPLACE FUNCTION casings_on_spots(org uuid, wheels uuid[], positions text[],
                                            sinces timestamptz[])
    RETURNS TABLE (on_wheel uuid, at_position text, casing uuid)
    LANGUAGE sql STABLE AS $$
    SELECT spot.wheel, spot.position, subject.id
      FROM unnest(wheels, positions, sinces) AS spot (wheel, position, since)
     CROSS JOIN LATERAL (
           SELECT subject_id FROM entry
            WHERE org_id = org AND NOT refused AND entry.wheel = spot.wheel
              AND (occurred_at > spot.since
                   OR EXISTS (SELECT FROM entry amends
                               WHERE amends.org_id = org
                                 AND amends.subject_id = entry.subject_id
                                 AND amends.kind IN ('corrected', 'resolved')
                                 AND NOT amends.refused))
           UNION
          (SELECT subject_id FROM entry
            WHERE org_id = org AND NOT refused AND entry.wheel = spot.wheel
              AND occurred_at <= spot.since
              AND NOT EXISTS (SELECT FROM entry amends
                               WHERE amends.org_id = org
                                 AND amends.subject_id = entry.subject_id
                                 AND amends.kind IN ('corrected', 'resolved')
                                 AND NOT amends.refused)
            ORDER BY occurred_at DESC FETCH FIRST 1 ROWS WITH TIES)
           UNION
           SELECT subject_id FROM entry
            WHERE org_id = org AND refused AND entry.wheel = spot.wheel
              AND EXISTS (SELECT FROM entry closing
                           WHERE closing.org_id = org AND closing.closes = entry.id
                             AND closing.kind = 'resolved' AND NOT closing.refused)
           UNION
           SELECT subject_id FROM entry
            WHERE org_id = org AND NOT refused AND entry.position = spot.position
              AND (occurred_at > spot.since
                   OR EXISTS (SELECT FROM entry amends
                               WHERE amends.org_id = org
                                 AND amends.subject_id = entry.subject_id
                                 AND amends.kind IN ('corrected', 'resolved')
                                 AND NOT amends.refused))
           UNION
          (SELECT subject_id FROM entry
            WHERE org_id = org AND NOT refused AND entry.position = spot.position
              AND occurred_at <= spot.since
              AND NOT EXISTS (SELECT FROM entry amends
                               WHERE amends.org_id = org
                                 AND amends.subject_id = entry.subject_id
                                 AND amends.kind IN ('corrected', 'resolved')
                                 AND NOT amends.refused)
            ORDER BY occurred_at DESC FETCH FIRST 1 ROWS WITH TIES)
           UNION
           SELECT subject_id FROM entry
            WHERE org_id = org AND refused AND entry.position = spot.position
              AND EXISTS (SELECT FROM entry closing
                           WHERE closing.org_id = org AND closing.closes = entry.id
                             AND closing.kind = 'resolved' AND NOT closing.refused)) AS there
      JOIN subject ON subject.org_id = org AND subject.kind = 'casing'
                  AND subject.id = there.subject_id
     WHERE subject.occurred_at > spot.since
$$;
