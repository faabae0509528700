-- What opening stock came on, beside what entries put casings on; none where this comes first.
ALTER TABLE entry DISABLE TRIGGER entry_stays;
UPDATE entry SET wheel = (said.facts ->> 'wheel')::uuid,
                 position = (said.facts ->> 'vehicle') || ' ' || (said.facts ->> 'position')
  FROM (SELECT org_id, id, convert_from(bytes, 'UTF8')::jsonb -> 'facts' AS facts
          FROM entry WHERE kind = 'acquired') AS said
 WHERE entry.org_id = said.org_id AND entry.id = said.id AND said.facts ->> 'origin' = 'opening';
ALTER TABLE entry ENABLE ALWAYS TRIGGER entry_stays;

-- The vehicles that a casing's entries named or that it sat on: they are taken over no longer.
-- Filled for what is on record from the entries as they count: a correction says what counts
-- instead, and what was refused counts where it did happen.
WITH RECURSIVE said AS (
    SELECT org_id, subject_id, id, n, kind, refused,
           convert_from(bytes, 'UTF8')::jsonb -> 'facts' AS facts
      FROM entry
     WHERE subject_kind = 'casing' AND kind IN ('installed', 'released', 'corrected', 'resolved')
), amending AS (
    SELECT org_id, id, n, facts,
           COALESCE(facts ->> 'corrects',
                    CASE WHEN facts -> 'it_did_happen' = 'true' THEN facts ->> 'refusal' END)
               AS named
      FROM said
     WHERE kind IN ('corrected', 'resolved') AND NOT refused
), changed AS (
    SELECT said.org_id, said.id AS first, amending.id, amending.n, amending.facts
      FROM said
      JOIN amending ON amending.org_id = said.org_id AND amending.named = said.id::text
     WHERE said.kind IN ('installed', 'released')
    UNION ALL
    SELECT changed.org_id, changed.first, amending.id, amending.n, amending.facts
      FROM changed
      JOIN amending ON amending.org_id = changed.org_id AND amending.named = changed.id::text
), newest AS (
    SELECT DISTINCT ON (org_id, first) org_id, first, facts
      FROM changed
     ORDER BY org_id, first, n DESC
), named AS (
    SELECT DISTINCT said.org_id, said.subject_id,
           COALESCE(newest.facts -> 'facts', said.facts) ->> 'vehicle' AS vehicle
      FROM said
      LEFT JOIN newest ON newest.org_id = said.org_id AND newest.first = said.id
     WHERE said.kind IN ('installed', 'released')
       AND (newest.first IS NOT NULL OR NOT said.refused)
       AND newest.facts ->> 'right_casing' IS NULL
), worked_on AS (
    SELECT org_id, subject_id, jsonb_agg(vehicle ORDER BY vehicle COLLATE "C") AS vehicles
      FROM named
     WHERE vehicle IS NOT NULL
     GROUP BY org_id, subject_id
)
UPDATE subject SET state = state || jsonb_build_object('worked_on', worked_on.vehicles)
  FROM worked_on
 WHERE subject.org_id = worked_on.org_id AND subject.kind = 'casing'
   AND subject.id = worked_on.subject_id AND NOT state ? 'worked_on';

-- Whether the retreader of a casing's tread marked it regroovable, from its last retread. Where
-- that was corrected, `proofhold rebuild` says so.
WITH newest AS (
    SELECT DISTINCT ON (org_id, subject_id) org_id, subject_id,
           convert_from(bytes, 'UTF8')::jsonb -> 'facts' -> 'regroovable' AS regroovable
      FROM entry
     WHERE kind = 'returned' AND NOT refused
       AND convert_from(bytes, 'UTF8')::jsonb -> 'facts' ->> 'done' = 'retread'
     ORDER BY org_id, subject_id, occurred_at DESC, n DESC
)
UPDATE subject SET state = state || jsonb_build_object('regroovable', COALESCE(newest.regroovable, 'false'))
  FROM newest
 WHERE subject.org_id = newest.org_id AND subject.kind = 'casing'
   AND subject.id = newest.subject_id AND NOT state ? 'regroovable';

-- A column of its own, so that an unchanged list costs an update of the state nothing.
ALTER TABLE subject ADD COLUMN worked_on jsonb GENERATED ALWAYS AS
    (CASE WHEN kind = 'casing' THEN state -> 'worked_on' END) STORED;
CREATE INDEX subject_worked_on ON subject USING gin (worked_on jsonb_path_ops)
    WHERE worked_on IS NOT NULL;
